"""Tools of the bay built apart: shaped noise, ringing modes, strikes, tones of turning parts, slow drifts.

All sounds are float32, shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from audiodiag.records import FloatArray

__all__ = [
    "Mode",
    "between",
    "drift",
    "filtered",
    "one_pole",
    "pick",
    "rings",
    "shaped_noise",
    "soft_gate",
    "spans_above",
    "stretched",
    "strikes",
    "tone",
    "unit",
]

Mode = tuple[float, float, float]
"""Frequency in Hz, quality, gain at the peak."""
SLOW_HZ = 100
"""Rate at which slow things are drawn."""


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number evenly."""
    return float(rng.uniform(low, high))


def pick(rng: np.random.Generator, table: dict[str, float]) -> str:
    """Draw one name by its weight."""
    weights = np.array(list(table.values()))
    return list(table)[int(rng.choice(len(weights), p=weights / weights.sum()))]


def unit(sound: FloatArray, where: FloatArray | None = None) -> FloatArray:
    """Scale to a mean square of 1, over the samples that ``where`` (bool, shape (n,)) marks.

    >>> float(unit(np.full(4, 3.0, np.float32)).max())
    1.0
    """
    heard = sound if where is None or not where.any() else sound[where]
    power = float(np.mean(np.square(heard, dtype=np.float64)))
    return np.asarray(sound / np.sqrt(power), np.float32) if power > 0 else sound


def _sizes(n: int, rate: int) -> tuple[int, FloatArray]:
    size = fft.next_fast_len(n + rate // 4, real=True)
    return size, np.arange(size // 2 + 1, dtype=np.float32) * np.float32(rate / size)


def _curve(hz: FloatArray, points: Sequence[tuple[float, float]]) -> FloatArray:
    """Gain over frequency from (Hz, dB) corners, straight over the logarithm of frequency."""
    corners = np.array(sorted(points))
    rough = np.geomspace(5.0, max(float(hz[-1]), 6.0), 600)
    gain = 10 ** (np.interp(np.log(rough), np.log(corners[:, 0]), corners[:, 1]) / 20)
    return np.interp(hz, rough, gain).astype(np.float32)


def shaped_noise(
    rng: np.random.Generator, n: int, rate: int, points: Sequence[tuple[float, float]]
) -> FloatArray:
    """Gaussian noise of mean square 1 whose spectrum runs through (Hz, dB) corners."""
    size, hz = _sizes(n, rate)
    spectrum = rng.standard_normal((len(hz), 2), dtype=np.float32).view(np.complex64)[:, 0]
    return unit(fft.irfft(spectrum * _curve(hz, points), size)[:n])


def filtered(sound: FloatArray, rate: int, points: Sequence[tuple[float, float]]) -> FloatArray:
    """Pass a sound through a gain that runs through (Hz, dB) corners, without delay."""
    size, hz = _sizes(len(sound), rate)
    return fft.irfft(fft.rfft(sound, size) * _curve(hz, points), size)[: len(sound)]


def rings(sound: FloatArray, rate: int, modes: Sequence[Mode], direct: float = 0.0) -> FloatArray:
    """Let a body of modes ring to an excitation; ``direct`` is passed on unchanged beside them."""
    sound = sound.astype(np.float32)
    heard = np.float32(direct) * sound
    for centre, quality, gain in modes:
        if centre < 0.48 * rate:
            front, back = signal.iirpeak(centre, quality, fs=rate)
            heard += signal.lfilter((gain * front).astype(np.float32), back.astype(np.float32), sound)
    return heard


def strikes(n: int, places: FloatArray, heights: FloatArray) -> FloatArray:
    """Unit impulses at places between samples (in samples), each with its height; shape (n,).

    >>> strikes(4, np.array([1.25]), np.array([2.0])).tolist()
    [0.0, 1.5, 0.5, 0.0]
    """
    inside = (places >= 0) & (places < n - 1)
    places, heights = places[inside], heights[inside]
    first = places.astype(np.int64)
    share = places - first
    train = np.bincount(first, heights * (1 - share), n) + np.bincount(first + 1, heights * share, n)
    return np.asarray(train, np.float32)


def tone(turns: FloatArray) -> FloatArray:
    """One sine wave a turn.

    >>> float(tone(np.array([7.25]))[0])
    1.0
    """
    return np.sin(np.float32(2 * np.pi) * (turns - np.floor(turns)).astype(np.float32))


def drift(rng: np.random.Generator, n: int, rate: int, seconds: float) -> FloatArray:
    """Slow random course of about unit spread that forgets itself over so many seconds."""
    step = seconds / 4
    count = int(n / rate / step) + 12
    noise = rng.standard_normal(count + 16)
    course = np.convolve(noise, np.exp(-np.arange(16) / 4), "valid")[:count]
    course /= np.sqrt(np.sum(np.exp(-np.arange(16) / 2)))
    if step < 2 / SLOW_HZ:
        return np.interp(np.arange(n) / rate, np.arange(count) * step, course).astype(np.float32)
    coarse = np.interp(np.arange(int(n / rate * SLOW_HZ) + 3) / SLOW_HZ, np.arange(count) * step, course)
    return stretched(coarse, n, rate)


@lru_cache(maxsize=2)
def _places(n: int, rate: int) -> tuple[NDArray[np.int32], FloatArray]:
    exact = np.arange(n) * (SLOW_HZ / rate)
    first = exact.astype(np.int32)
    return first, (exact - first).astype(np.float32)


def stretched(coarse: FloatArray, n: int, rate: int) -> FloatArray:
    """From ``SLOW_HZ`` to the clip's rate, shape (n,), by straight lines."""
    first, share = _places(n, rate)
    values = coarse.astype(np.float32)
    return values[first] + share * np.append(np.diff(values), np.float32(0))[first]


def one_pole(values: FloatArray, rate: float, rise_s: float, fall_s: float) -> FloatArray:
    """Follow values with one time for rising and another for falling; meant for slow rates."""
    up, down = 1 - np.exp(-1 / (rate * rise_s)), 1 - np.exp(-1 / (rate * fall_s))
    out = np.empty(len(values))
    state = float(values[0])
    for k, value in enumerate(values.tolist()):
        state += (up if value > state else down) * (value - state)
        out[k] = state
    return out


def soft_gate(
    spans: Sequence[tuple[float, float]], n: int, rate: int, rise_s: float, fall_s: float
) -> FloatArray:
    """1 within spans of seconds and 0 outside, with edges of raised cosines that lie within the span."""
    t = np.arange(int(n / rate * SLOW_HZ * 4) + 8) / (SLOW_HZ * 4)
    gate = np.zeros(len(t))
    for start, end in spans:
        edge = min(1.0, 0.8 * (end - start) / (rise_s + fall_s))
        inside = np.minimum((t - start) / (rise_s * edge), (end - t) / (fall_s * edge))
        gate = np.maximum(gate, 0.5 - 0.5 * np.cos(np.pi * np.clip(inside, 0, 1)))
    return np.interp(np.arange(n) / rate, t, gate).astype(np.float32)


def spans_above(
    course: FloatArray, rate: int, share: float = 0.3, gap_s: float = 0.15
) -> list[tuple[float, float]]:
    """Spans in seconds where a course is above a share of its greatest value; short gaps are closed."""
    step = max(1, rate // SLOW_HZ)
    coarse = course[::step]
    above = np.concatenate([[False], coarse > share * coarse.max(), [False]])
    edges = np.flatnonzero(np.diff(above.astype(np.int8)))
    spans: list[tuple[float, float]] = []
    for start, end in zip(edges[::2] * step / rate, edges[1::2] * step / rate, strict=True):
        end = min(float(end), len(course) / rate)
        if spans and start - spans[-1][1] < gap_s:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((float(start), end))
    return [span for span in spans if span[1] - span[0] >= 0.05]
