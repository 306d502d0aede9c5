"""When does the engine run? Found before the speed is, so that silence before the start is given no speed.

An engine that runs is louder than what is heard beside it, and comes back evenly: the low sound, or how the
sound above swells. A stretch is called still only if it is both much quieter than the clip's louder part and
does not come back, for a second or so; idling between blips of the throttle is quiet but comes back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from audiodiag.records import FloatArray, Note, Span, SpeedTrace, read_only
from audiodiag.signal.powers import power_of
from audiodiag.speed.front import HOP_S, Baseband
from audiodiag.vehicle import Vehicle

__all__ = ["LEAST_RUN_S", "joined", "running_spans"]

LEAST_RUN_S = 3.0
"""What runs for less is too short for a speed."""
LOUD_SHARE = 75
MAYBE_DB, PER_DB = 14.0, 0.4
"""So far below the clip's louder part a sound is as likely the engine idling as what is heard without it; and
what each dB beside that says, in nats for a tenth of a second (by simulation)."""
BY_LEVEL = (-8.0, 4.0)
WINDOW_S, STEP_S, AROUND_S = 0.7, 0.35, 1.5
"""Windows of likeness, and over how long their mean is taken, which leaves what comes back steadily."""
FIRST_S, LAST_S = 0.006, 0.165
PER_LOW, PER_SWELL, RISE_OFFSET = 7.0, 5.0, -2.8
"""What the rise of the likeness says, of the low sound and the mean of the swelling ones, in nats (logistic
law on 60 simulated engine clips and 60 of city, wind, rain, speech, birds and noise)."""
BY_RISE = (-2.0, 2.5)
TEMPER = 0.5
"""Neighbouring moments share their sound."""
CHANGE_COST = 12.0
"""What a start or stop of the engine must bring, nats: some second of clear silence."""
LOW_HZ = 420.0
SHARP, LONGEST_START_S = 0.5, 2.0
"""After a start no speed is given until the track is so sharp, for so long at most: the starter turns."""
SURE_OF_CYLINDERS = 0.5


def running_spans(samples: FloatArray, rate_hz: float, bands: tuple[Baseband, ...]) -> tuple[Span, ...]:
    """Give the spans in which an engine runs; the whole clip where nothing is surely still.

    samples: the clip, shape (n,), full scale 1. bands: its ``basebands``. Spans are in seconds, in order,
    each at least `LEAST_RUN_S` long; none where no stretch is.

    >>> import numpy as np
    >>> from audiodiag.speed.front import basebands
    >>> noise = 0.1 * np.random.default_rng(1).standard_normal(8 * 8000).astype(np.float32)
    >>> running_spans(noise, 8000, basebands(noise, 8000))
    ((0.0, 8.0),)
    """
    duration = len(samples) / rate_hz
    level = _level_db(samples, rate_hz)
    by_level = PER_DB * (level - np.percentile(level, LOUD_SHARE) + MAYBE_DB) if len(level) else level
    if duration < 2 * LEAST_RUN_S or not np.any(by_level < 0):
        return ((0.0, duration),)
    by_rise = np.clip(_by_rise(bands, len(level)), *BY_RISE)
    runs = _two_states(TEMPER * (np.clip(by_level, *BY_LEVEL) + by_rise))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], runs.astype(int), [0]])))
    spans = [
        (HOP_S * int(a), duration if b == len(runs) else HOP_S * int(b)) for a, b in edges.reshape(-1, 2)
    ]
    return tuple(span for span in spans if span[1] - span[0] >= LEAST_RUN_S)


def _two_states(for_running: FloatArray) -> NDArray[np.bool_]:
    """Give the most probable course of running and still, each change at `CHANGE_COST` (Viterbi)."""
    score = np.zeros(2)
    came = np.zeros((len(for_running), 2), int)
    for i, nats in enumerate(for_running):
        changed = score[::-1] - CHANGE_COST
        came[i] = np.where(score >= changed, [0, 1], [1, 0])
        score = np.maximum(score, changed) + np.array([0.0, nats])
    state = int(score[1] >= score[0])
    found = np.zeros(len(for_running), bool)
    for i in range(len(for_running) - 1, -1, -1):
        found[i] = bool(state)
        state = int(came[i, state])
    return found


def _level_db(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Mean level of the sound and of its steps, which weigh the high sound, every ``HOP_S`` (frames,)."""
    size = max(1, int(HOP_S * rate_hz))
    count = len(samples) // size
    steps = np.diff(samples, prepend=samples[:1])
    powers = [np.mean(part[: count * size].reshape(count, size) ** 2, axis=1) for part in (samples, steps)]
    return np.asarray(np.mean([10 * np.log10(power + 1e-14) for power in powers], axis=0))


def _by_rise(bands: tuple[Baseband, ...], frames: int) -> FloatArray:
    """Say from the even beat that comes back around each moment how likely an engine is, nats, (frames,)."""
    times = HOP_S * (0.5 + np.arange(frames))
    low, *swells = (np.interp(times, *_risen(band)) for band in (_slow(bands[0]), *bands[1:]))
    swell = np.mean(swells, axis=0) if swells else np.zeros(frames)
    return np.asarray(PER_LOW * np.minimum(low, 0.6) + PER_SWELL * np.minimum(swell, 0.3) + RISE_OFFSET)


def _slow(band: Baseband) -> Baseband:
    """Keep the low sound up to some 420 Hz: running means, twice."""
    width = max(1, int(0.443 * band.rate_hz / LOW_HZ))
    return Baseband(uniform_filter1d(uniform_filter1d(band.samples, width), width), band.rate_hz)


def _risen(band: Baseband) -> tuple[FloatArray, FloatArray]:
    """How far the mean likeness rises again out of its lowest place before, at its best; times and rises."""
    length, step, lags = (int(seconds * band.rate_hz) for seconds in (WINDOW_S, STEP_S, LAST_S))
    windows = np.lib.stride_tricks.sliding_window_view(band.samples, length)[::step]
    windows = windows - windows.mean(axis=1, keepdims=True)
    size = scipy.fft.next_fast_len(length + lags, real=True)
    power = power_of(scipy.fft.rfft(windows, size, axis=1))
    likeness = scipy.fft.irfft(power, size, axis=1)[:, :lags]
    likeness = likeness * length / (length - np.arange(lags)) / np.maximum(likeness[:, :1], 1e-20)
    mean = uniform_filter1d(likeness, max(1, round(AROUND_S / STEP_S)), axis=0, mode="nearest")
    risen = np.minimum(mean, mean - np.minimum.accumulate(mean, axis=1))
    at = (np.arange(len(windows)) * step + length / 2) / band.rate_hz
    return at, np.asarray(risen[:, int(FIRST_S * band.rate_hz) :].max(axis=1))


def joined(
    duration_s: float,
    runs: tuple[Span, ...],
    follow: Callable[[Span, Vehicle | None], SpeedTrace],
    vehicle: Vehicle | None,
) -> SpeedTrace:
    """Join the speeds of several runs; what is found in the longest (cylinders, confidence) speaks for all.

    follow: gives the speed within one span, its times counted from the span's start.
    """
    longest = max(runs, key=lambda run: run[1] - run[0])
    found = follow(longest, vehicle)
    known = vehicle
    if found.cylinders is not None and found.confidence >= SURE_OF_CYLINDERS:
        known = replace(vehicle or Vehicle(), cylinders=found.cylinders)
    times = np.arange(0.0, duration_s, HOP_S)
    columns = {name: np.full(len(times), np.nan) for name in ("rpm", "rpm_low", "rpm_high")}
    sure = np.zeros(len(times))
    for run in runs:
        part = found if run == longest else follow(run, known)
        first = round(run[0] / HOP_S)
        count = min(len(times) - first, len(part.time_s))
        blurred = part.instant_confidence[:count] < SHARP * part.confidence
        begun = 0 if run[0] == 0.0 else int(np.argmin(blurred[: int(LONGEST_START_S / HOP_S)]))
        here = slice(first + begun, first + count)
        for name, column in columns.items():
            column[here] = getattr(part, name)[begun:count]
        sure[here] = part.instant_confidence[begun:count]
    return replace(
        found,
        time_s=read_only(times),
        rpm=read_only(columns["rpm"]),
        rpm_low=read_only(columns["rpm_low"]),
        rpm_high=read_only(columns["rpm_high"]),
        instant_confidence=read_only(sure),
        notes=(_note_of(runs), *found.notes),
    )


def _note_of(runs: tuple[Span, ...]) -> Note:
    if len(runs) == 1:
        start, end = runs[0]
        text = f"The engine runs from {start:.1f} to {end:.1f} s only; its speed is followed while it runs."
    else:
        text = "The engine stops and starts again within the clip; its speed is followed while it runs."
    return Note("engine_starts_or_stops", text, runs, "info")
