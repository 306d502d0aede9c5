"""From a rough speed to a fine one: straighten the clip by the rough track, then look for what is left.

The signal is re-sampled to crank angle by the present track. Whatever the track still gets wrong by a share d
moves every engine line from order o to o (1 + d); all lines together give a likelihood of d in each short
window, and the windows together a posterior over time. Repeated with a finer grid and higher orders this
approaches the accuracy of the phase of the strongest lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter

from audiodiag.records import FloatArray
from audiodiag.signal.powers import hann, mean_around, power_of, power_spectra, windows_at
from audiodiag.speed.front import HOP_S, Baseband, between
from audiodiag.speed.tracking import forward_backward, step_law

__all__ = [
    "RefinedTrack", "angle_times", "long_order_levels", "refine", "self_likeness", "steadied",
    "straighten", "straighten_clean", "unfolded_samples_per_rev",
]  # fmt: skip

SAMPLES_PER_REV = 64
FIRST_SMOOTHING, QUICK_SMOOTHING = 1.2, 0.6
"""Frames over which the track that comes in is smoothed, and any track where it glides fast."""
STILL_PACE, FAST_PACE = 0.15, 0.45
"""Up to the first pace (change of its logarithm in a second) a track is smoothed in full, from the second on
little."""
MOST_SAMPLES_PER_REV = 256
"""Fine enough that nothing folds back over the lines whose phase is heard, down to 310 rpm."""
SPLINE_REACH = 1.4
"""What is read between the samples of a signal reaches so much higher than half its rate (by trial: at 1 the
error grows by a twentieth, above 1.4 nothing changes)."""
HEIGHT_HOP_REVS = 2
"""Revolutions between the windows in which lines are judged by height; at each one the error is the same."""
EACH_REV = 0.5
"""How much a window counts for each revolution to the next one, whose sound is mostly its own."""
PHASE_ORDERS = 24
PHASE_REVS = 8
PHASE_HOP_REVS = 2
PHASE_PASSES = 3
SETTLING_PASSES = 2
TRUST_ROUNDS = 4
"""How often the lines are weighed anew by how well each keeps to what they all say."""
TRUST_WINDOWS = 4.0
"""Over how many windows to each side (standard deviation) a line's scatter is taken."""
PRIOR_WINDOWS = 0.14
"""Share of those windows that the scatter expected of a line's height counts for."""
LEAST_SCATTER = 0.003
"""Variance of a line's phase, rad2, below which no line is trusted more."""
LEAST_HEIGHT = 8.0
"""Power of a line above the noise beside it, in two windows together, from which its phase is heard."""
SHARED = PHASE_REVS / (1.5 * PHASE_HOP_REVS)
"""How many windows share one piece of noise (Hann, noise bandwidth 1.5 bins)."""
LEAST_WEIGHT = 1e3
"""Weight of all lines of a window together under which its phase is not used."""
MOST_CORRECTION = 0.004
"""Largest share by which one pass may correct the track."""
SETTLED_VARIANCE = 0.25
"""Variance of the gained phase against that by its weights (by simulation)."""
WALK_VARIANCES: tuple[float, ...] = tuple(10.0 ** np.arange(-9.0, -3.4, 0.5))
"""Variances of a step of log speed over a hop that are weighed against each other."""
GLIDE_VARIANCES: tuple[float, ...] = tuple(10.0 ** np.arange(-13.0, -4.0, 0.5))
"""The same of a change of step, for a speed that glides rather than walks."""
BAND_WIDENING = 2.0
"""What the speed does within a window, which no line shows, widens the band (by simulation)."""
PHASE_STRIDE = 1.6
"""Share of the found error that is corrected: more than all, since a window sees a fast error weakened."""


@dataclass(frozen=True, eq=False)
class RefinedTrack:
    """Speed at ``time_s`` with its standard deviation, both in rpm, shape (n,)."""

    time_s: FloatArray
    rpm: FloatArray
    sd_rpm: FloatArray


@dataclass(frozen=True)
class _Pass:
    revs: int
    span: float
    step: float
    top_order: float
    walk: float

    @property
    def deltas(self) -> FloatArray:
        """Shares by which the track may be off, shape (n,)."""
        return np.arange(-self.span, self.span + self.step / 2, self.step)


PASSES = (
    _Pass(revs=8, span=0.030, step=0.0020, top_order=8.0, walk=1.5),
    _Pass(revs=8, span=0.010, step=0.0008, top_order=14.0, walk=1.0),
    _Pass(revs=10, span=0.004, step=0.0003, top_order=24.0, walk=1.0),
)


def straighten(
    signal: Baseband, time_s: FloatArray, rpm: FloatArray, *, samples_per_rev: int = SAMPLES_PER_REV
) -> tuple[FloatArray, FloatArray]:
    """Re-sample a baseband to crank angle; returns the signal on the angle grid and the times of its samples.

    time_s, rpm: the track, shape (n,). Both results have ``samples_per_rev`` samples a revolution.
    """
    when = angle_times(signal, time_s, rpm, samples_per_rev=samples_per_rev)
    return signal.at(when), when


def angle_times(
    signal: Baseband, time_s: FloatArray, rpm: FloatArray, *, samples_per_rev: int = SAMPLES_PER_REV
) -> FloatArray:
    """Give the times at which a signal is looked at for evenly spaced crank angles, as in ``straighten``.

    Between two instants of the track, above 0 rpm, speed is linear: the angle is a parabola, solved as it is.
    """
    end = (len(signal.samples) - 1) / signal.rate_hz
    knots = np.concatenate([[0.0], time_s[(time_s > 0.0) & (time_s < end)], [end]])
    speed = np.interp(knots, time_s, rpm) / 60.0
    long = np.diff(knots)
    revs = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * long)])
    edges = np.ceil(revs * samples_per_rev).astype(int)
    edges[-1] = count = int(revs[-1] * samples_per_rev)
    number = np.diff(np.minimum(edges, count))
    start, pull = speed[:-1], np.diff(speed) / np.maximum(long, 1e-12)
    found = np.arange(count, dtype=float)
    found /= samples_per_rev
    found -= np.repeat(revs[:-1], number)
    root = np.repeat(2.0 * pull, number)
    root *= found
    root += np.repeat(start**2, number)
    np.sqrt(root, out=root)
    root += np.repeat(start, number)
    found /= np.maximum(root, 1e-12, out=root)
    found *= 2.0
    found += np.repeat(knots[:-1], number)
    return found


def unfolded_samples_per_rev(signal: Baseband, track: FloatArray) -> int:
    """How many samples a revolution needs that nothing folds back over the orders up to ``PHASE_ORDERS``.

    track: speed in rpm, shape (n,). A multiple of 16, between ``SAMPLES_PER_REV`` and
    ``MOST_SAMPLES_PER_REV``.
    """
    highest = SPLINE_REACH * 0.5 * signal.rate_hz / (float(track.min()) / 60.0)
    close = 16 * int(np.ceil((highest + PHASE_ORDERS + 1) / 16))
    return int(np.clip(close, SAMPLES_PER_REV, MOST_SAMPLES_PER_REV))


def _angle_spectra(
    values: FloatArray, revs: int, hop_revs: int, pad: int, *, bins: int | None = None
) -> tuple[FloatArray, NDArray[np.integer[Any]]]:
    """Power of windows of so many revolutions, zeros added to ``pad`` times that; and where they start."""
    length = revs * SAMPLES_PER_REV
    padded = np.pad(values, (length // 2, length))
    starts = np.arange(0, max(1, len(values)), hop_revs * SAMPLES_PER_REV)
    shape = hann(length)
    return power_spectra(windows_at(padded, starts, length), shape, length * pad, bins=bins), starts


def _background(power: FloatArray, width: int) -> FloatArray:
    """Local level between the lines: a running mean, taken again with the lines cut down to it."""
    level = mean_around(power, width)
    return mean_around(np.minimum(power, level), width) + np.float32(1e-20)


def steadied(rpm: FloatArray, frames: float) -> FloatArray:
    """Smooth a track of one value every ``HOP_S`` over so many frames, over fewer where it glides fast.

    A blip begins within a frame: smoothed as an idle is, it would be off by a tenth where it begins and ends.
    """
    log_rpm = np.log(rpm)
    smooth = gaussian_filter1d(log_rpm, frames, mode="nearest")
    pace = np.abs(np.gradient(smooth)) / HOP_S if len(rpm) > 1 else np.zeros(len(rpm))
    fast = np.clip((pace - STILL_PACE) / (FAST_PACE - STILL_PACE), 0.0, 1.0)
    fast = maximum_filter1d(fast, 5, mode="nearest")
    quick = gaussian_filter1d(log_rpm, min(frames, QUICK_SMOOTHING), mode="nearest")
    return np.asarray(np.exp(fast * quick + (1.0 - fast) * smooth))


@lru_cache(maxsize=512)
def _teeth_at(step: _Pass, pad: int, number: int, bins: int) -> FloatArray:
    """How much each bin speaks for each error of the track by the first teeth, shape (bins, deltas).

    number: how many half orders, from 0.5 on. Each lies between two bins, which share it.
    """
    deltas = step.deltas
    table = np.zeros((bins, len(deltas)), np.float32)
    place = np.arange(len(deltas))
    for tooth in np.arange(1, number + 1) / 2.0:
        position = tooth * (1 + deltas) * step.revs * pad
        lower = position.astype(int)
        table[lower, place] += 1 - (position - lower)
        table[lower + 1, place] += position - lower
    return table


def refine(
    signals: tuple[Baseband, ...],
    time_s: FloatArray,
    rpm: FloatArray,
    *,
    top_hz: float = 1150.0,
    near: bool = False,
) -> RefinedTrack:
    """Refine a rough speed track (within some 2 %) on the engine's own lines.

    signals: basebands that carry the lines, of one length and rate; their evidence is summed. time_s, rpm:
    the rough track. near: it is a multiple of a refined one, so that only the phase is left to be heard.
    """
    track = np.asarray(rpm, float) if near else steadied(np.asarray(rpm, float), FIRST_SMOOTHING)
    sd = np.full(len(track), 0.01) * track
    for step in () if near else PASSES:
        deltas, pad = step.deltas, 4
        teeth = np.arange(1, int(step.top_order * 2) + 1) / 2.0
        evidence: FloatArray | None = None
        when = angle_times(signals[0], time_s, track)
        bin_order = 1.0 / (step.revs * pad)
        bins = int((step.top_order * (1 + step.span) + 1) / bin_order) + 2
        for values in between(signals, when):
            power, starts = _angle_spectra(values, step.revs, HEIGHT_HOP_REVS, pad, bins=bins)
            frame_time = when[np.minimum(starts, len(when) - 1)]
            frame_rpm = np.interp(frame_time, time_s, track)
            fit = np.searchsorted(teeth, 60.0 * top_hz / frame_rpm)
            background = _background(power, 2 * pad * step.revs)
            ratio = np.log1p(np.float32(0.7) * power / background)
            score = np.zeros((len(power), len(deltas)))
            for number in np.unique(fit):
                score[fit == number] = ratio[fit == number] @ _teeth_at(step, pad, int(number), bins)
            evidence = score if evidence is None else evidence + score
        assert evidence is not None
        further = HEIGHT_HOP_REVS**0.5
        law = step_law(
            narrow=further * step.walk, wide=4 * step.walk, wide_share=0.05 * HEIGHT_HOP_REVS, reach=8
        )
        posterior = forward_backward(EACH_REV * HEIGHT_HOP_REVS * evidence, law).posterior
        mean = posterior @ deltas
        spread = np.sqrt(np.maximum(posterior @ deltas**2 - mean**2, 0.0) + (0.3 * step.step) ** 2)
        correction = np.interp(time_s, frame_time, mean)
        track = track * (1 + correction)
        sd = np.interp(time_s, frame_time, spread) * track
    for _ in range(PHASE_PASSES):
        track, sd = _by_phase(signals, np.asarray(time_s), track, top_hz)
    for _ in range(SETTLING_PASSES):
        track, sd = _settled(signals, np.asarray(time_s), track, sd, top_hz)
    return RefinedTrack(np.asarray(time_s), track, sd)


@dataclass(frozen=True, eq=False)
class _Advance:
    """How far the track is off from window to window, by the phase that the engine's lines still gain.

    time_s: midway between two windows. wrong: share by which the track is off, 0 where nothing is heard.
    weight: its inverse variance but for ``SHARED``, 0 where nothing is heard. All of shape (m,).
    """

    time_s: FloatArray
    wrong: FloatArray
    weight: FloatArray


def _phase_advance(
    signals: tuple[Baseband, ...], time_s: FloatArray, track: FloatArray, top_hz: float
) -> _Advance | None:
    """Compare the lines' phases between windows two revolutions apart; None where the clip is too short.

    Every half order gains a whole number of turns if the track is right, and 2 pi o h d more if it is wrong
    by the share d (o the order, h the hop in revolutions). All lines together give the least-squares d, each
    weighted first by its height above the noise beside it, then by how well it has kept to what all say: a
    line that belongs to another part, or hops, loses its say.

    Source: multi-harmonic phase demodulation in the sense of Peeters et al., MSSP 167 (2022) 108533; weights
    by scatter are those of iteratively re-weighted least squares, e.g. Huber, Robust Statistics (1981), from
    memory.
    """
    hop = PHASE_HOP_REVS
    close = unfolded_samples_per_rev(signals[0], track)
    length = PHASE_REVS * close
    teeth = np.arange(1, 2 * PHASE_ORDERS + 1) / 2.0
    place = np.round(teeth * PHASE_REVS / 2).astype(int)
    gains: list[NDArray[np.complexfloating[Any, Any]]] = []
    when = angle_times(signals[0], time_s, track, samples_per_rev=close)
    if len(when) < length + 3 * hop * close:
        return None
    starts = np.arange(0, len(when) - length + 1, hop * close)
    window = hann(length + 1)[:-1]
    for values in between(signals, when):
        view = np.lib.stride_tricks.sliding_window_view(values, length)[starts] * window
        # The lines and what is beside them lie on every other bin: those are the bins of both halves' sum.
        lines = scipy.fft.rfft(view[:, : length // 2] + view[:, length // 2 :], axis=1)
        power = power_of(lines)
        beside = 0.5 * (power[:, place - 1] + power[:, place + 1])
        noise = gaussian_filter1d(beside, 2.0, axis=0, mode="nearest") + 1e-20
        centre = when[starts + length // 2]
        fits = teeth[None, :] * np.interp(centre, time_s, track)[:, None] / 60.0 < top_hz
        gain = lines[1:, place] * np.conj(lines[:-1, place]) / np.sqrt(noise[1:] * noise[:-1])
        gains.append(np.where(fits[1:] & (np.abs(gain) > LEAST_HEIGHT), gain, 0.0))
    turn = np.tile(2 * np.pi * teeth * hop, len(gains))
    wrong, weight = _agreed(np.concatenate(gains, axis=1), turn)
    heard = weight > LEAST_WEIGHT
    if heard.sum() < 4:
        return None
    return _Advance(0.5 * (centre[1:] + centre[:-1]), np.where(heard, wrong, 0.0), weight * heard)


def _agreed(gain: NDArray[np.complexfloating[Any, Any]], turn: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give what all lines say of the error, and the weight of that, each of shape (m,).

    gain: what each line's phase gained from window to window, its size the height above the noise, 0 where it
    is not heard, shape (m, lines). turn: phase that each line gains for an error of 1, rad, shape (lines,).
    """
    height = np.abs(gain)
    heard = height > 0
    phase = np.angle(gain)
    trust = np.where(heard, np.sqrt(np.maximum(height, 1.0)), 0.0)  # a loud line must not rule alone
    expected = 0.5 / np.sqrt(np.maximum(height, 1.0))
    wrong = (turn * trust * np.sin(phase)).sum(axis=1) / np.maximum((turn**2 * trust).sum(axis=1), 1e-9)
    windows = gaussian_filter1d(heard.astype(float), TRUST_WINDOWS, axis=0, mode="nearest")
    for _ in range(TRUST_ROUNDS):
        left = phase - turn * wrong[:, None]
        left -= 2 * np.pi * np.rint(left / (2 * np.pi))
        scatter = gaussian_filter1d(np.where(heard, left**2, 0.0), TRUST_WINDOWS, axis=0, mode="nearest")
        variance = (scatter + PRIOR_WINDOWS * expected) / (windows + PRIOR_WINDOWS)
        trust = np.where(heard, 1.0 / np.maximum(variance, LEAST_SCATTER), 0.0)
        wrong = wrong + (turn * trust * left).sum(axis=1) / np.maximum((turn**2 * trust).sum(axis=1), 1e-9)
    return wrong, 0.5 * (turn**2 * trust).sum(axis=1)


def _by_phase(
    signals: tuple[Baseband, ...], time_s: FloatArray, track: FloatArray, top_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Correct the track by the phase that the lines gain, smoothed as a random walk both ways."""
    advance = _phase_advance(signals, time_s, track, top_hz)
    if advance is None:
        return track, np.full(len(track), 0.003) * track
    heard = advance.weight > 0
    level, spread = _smoothed_walk(advance.wrong[heard], SHARED / advance.weight[heard])
    correction = np.interp(time_s, advance.time_s[heard], level)
    correction = np.clip(PHASE_STRIDE * correction, -MOST_CORRECTION, MOST_CORRECTION)
    # What this pass still moved is not settled: it belongs to the doubt.
    moved = np.sqrt(gaussian_filter1d(correction**2, 5.0, mode="nearest"))
    doubt = np.hypot(np.interp(time_s, advance.time_s[heard], spread), moved)
    return track * (1 + correction), doubt * track


def _settled(
    signals: tuple[Baseband, ...], time_s: FloatArray, track: FloatArray, sd: FloatArray, top_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Give the most probable track, once the phase is near: the windows' blur undone, no pass by pass.

    The phase gained between two windows is the mean of the error under their shape; the logarithm of speed
    walks at random, or glides with a slope that does. All is linear, so one banded solve gives the most
    probable course, and its evidence which of the two and the size of the steps.

    Source: Bayesian deconvolution, e.g. Tarantola, Inverse Problem Theory (2005), chapter 3 (from memory).
    """
    advance = _phase_advance(signals, time_s, track, top_hz)
    if advance is None:
        return track, sd
    weight = advance.weight / (SHARED * SETTLED_VARIANCE)
    log_track = np.log(np.interp(advance.time_s, time_s, track))
    middle = float(log_track.mean())
    laws = [(1, v) for v in WALK_VARIANCES] + [(2, v) for v in GLIDE_VARIANCES]
    seen = _Seen.of(advance.wrong, weight, log_track - middle)
    found = [seen.most_probable(*law) for law in laws]
    best = int(np.argmax([evidence for _, evidence in found]))
    correction = np.clip(found[best][0] - (log_track - middle), -MOST_CORRECTION, MOST_CORRECTION)
    noise = 1.0 / np.maximum(gaussian_filter1d(weight, 2.0, mode="nearest"), 1.0)
    doubt = BAND_WIDENING * np.sqrt(_variance_left(*laws[best], noise))
    settled = track * np.exp(np.interp(time_s, advance.time_s, correction))
    return settled, np.interp(time_s, advance.time_s, doubt) * settled


def _variance_left(order: int, variance: float, noise: FloatArray) -> FloatArray:
    """How well a walk (order 1) or glide (2) is known from both sides, seen with so much noise.

    Source: the Wiener smoother of both laws, the integral of noise / (1 + (w / w0)^(2 order)) over frequency.
    """
    corner = (variance / noise) ** (0.5 / order)
    return np.asarray(noise * corner * (0.5 if order == 1 else 0.125**0.5))


def _window_shape() -> FloatArray:
    """Weights of the error around the middle between two windows, in hops: Hann over one hop, sum 1."""
    fine = 64
    shape = np.convolve(np.hanning(PHASE_REVS * fine // PHASE_HOP_REVS + 2)[1:-1], np.ones(fine))
    reach = (PHASE_REVS // PHASE_HOP_REVS + 1) // 2
    taps = shape[len(shape) // 2 + fine * np.arange(-reach, reach + 1)]
    return np.asarray(taps / taps.sum())


@dataclass(frozen=True, eq=False)
class _Seen:
    """What windows say of log speed as a linear problem: its bands (lower form), right side and constant."""

    bands: FloatArray
    right: FloatArray
    constant: float

    @classmethod
    def of(cls, wrong: FloatArray, weight: FloatArray, log_track: FloatArray) -> _Seen:
        """wrong, weight: as in `_Advance`; log_track: where the track stands now; all of shape (m,)."""
        shape = _window_shape()
        reach, count = len(shape) // 2, len(wrong)
        seen = wrong + np.convolve(np.pad(log_track, reach, mode="edge"), shape, "valid")
        bands, right = np.zeros((2 * reach + 1, count)), np.zeros(count)
        places = [np.clip(np.arange(count) + k, 0, count - 1) for k in range(-reach, reach + 1)]
        for i, row in enumerate(places):
            np.add.at(right, row, shape[i] * weight * seen)
            for j, column in enumerate(places):
                below = row >= column
                add = (shape[i] * shape[j] * weight)[below]
                np.add.at(bands, ((row - column)[below], column[below]), add)
        return cls(bands, right, float((weight * seen**2).sum()))

    def most_probable(self, order: int, variance: float) -> tuple[FloatArray, float]:
        """Give the most probable log speed, differences of this order having one variance; log evidence."""
        from scipy.linalg import cho_solve_banded, cholesky_banded

        bands, count = self.bands.copy(), len(self.right)
        taps = np.array([-1.0, 1.0] if order == 1 else [1.0, -2.0, 1.0])
        for i, one in enumerate(taps):
            for j, other in enumerate(taps[: i + 1]):
                bands[i - j, j : count - order + j] += one * other / variance
        bands[0] += 1e-9
        lower = cholesky_banded(bands, lower=True)
        walk = cho_solve_banded((lower, True), self.right)
        evidence = -float(np.log(lower[0]).sum()) - 0.5 * (count - order) * float(np.log(variance))
        return walk, evidence - 0.5 * (self.constant - float(self.right @ walk))


def _smoothed_walk(values: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smooth noisy values as a random walk (Kalman filter, then backwards); its step is fitted to the data.

    Source: Rauch, Tung and Striebel, AIAA Journal 3(8), 1965, 1445 (from memory).
    """
    scatter = max(float(np.var(np.diff(values))) - 2 * float(np.mean(variance)), 0.0)
    step = max(scatter, 0.05 * float(np.mean(variance)), 1e-12)
    level, spread = np.empty(len(values)), np.empty(len(values))
    ahead = np.empty(len(values))
    now, unsure = float(values[0]), float(variance[0]) + step
    for i in range(len(values)):
        ahead[i] = unsure + step if i else unsure
        share = ahead[i] / (ahead[i] + variance[i])
        now += share * (values[i] - now)
        unsure = (1 - share) * ahead[i]
        level[i], spread[i] = now, unsure
    for i in range(len(values) - 2, -1, -1):
        share = spread[i] / ahead[i + 1]
        level[i] += share * (level[i + 1] - level[i])
        spread[i] += share**2 * (spread[i + 1] - ahead[i + 1])
    return level, np.sqrt(np.maximum(spread, 0.0))


def straighten_clean(signal: Baseband, time_s: FloatArray, rpm: FloatArray) -> FloatArray:
    """Re-sample to crank angle so that nothing from above folds back over the orders up to 32.

    As the first result of ``straighten`` but for a factor, with ``SAMPLES_PER_REV`` samples a revolution,
    taken from samples that lie four times as close.
    """
    values, _ = straighten(signal, time_s, rpm, samples_per_rev=MOST_SAMPLES_PER_REV)
    closer = MOST_SAMPLES_PER_REV // SAMPLES_PER_REV
    count = len(values) // closer
    if count < 2:
        return np.zeros(count, np.float32)
    size = scipy.fft.next_fast_len(count, real=True)
    held = np.pad(values[: count * closer], (0, (size - count) * closer), mode="edge")
    lines = scipy.fft.rfft(held)[: size // 2 + 1]
    return np.asarray(scipy.fft.irfft(lines, size)[:count], np.float32)


def long_order_levels(values: FloatArray, *, revs: int = 24) -> FloatArray:
    """Give the whole clip's order spectrum above its own local background, in nats.

    Orders 0 to 32 in steps of ``1 / (4 revs)``, from windows of ``revs`` revolutions, log power averaged over
    the clip. values: the clip over crank angle, from ``straighten`` or ``straighten_clean``.
    """
    if len(values) < revs * SAMPLES_PER_REV:
        values = np.pad(values, (0, revs * SAMPLES_PER_REV - len(values)))
    power, _ = _angle_spectra(values, revs, revs // 4, 4)
    log_power = np.log(power + 1e-12 * power.max() + 1e-30).mean(axis=0)
    background = median_filter(log_power, size=4 * revs, mode="nearest")
    return np.clip(log_power - background, -3.0, 6.0)


def self_likeness(values: FloatArray, *, lags_rev: int = 9) -> FloatArray:
    """How much the straightened clip repeats itself after each turn: its whitened autocorrelation.

    values: from ``straighten``. Lags 0 to ``lags_rev`` revolutions in steps of 1/64, 1 at lag 0; 0 beyond a
    clip that is too short. Every order up to 24 counts about alike, whatever its level, so that the loudest
    line does not decide alone.
    """
    count, wanted = len(values), lags_rev * SAMPLES_PER_REV
    if count < 6 * SAMPLES_PER_REV:
        return np.zeros(wanted)
    size = scipy.fft.next_fast_len(2 * count, real=True)
    power = power_of(scipy.fft.rfft(values - values.mean(), size))
    background = mean_around(power, max(3, int(2.0 * size / SAMPLES_PER_REV))) + 1e-20
    white = np.minimum(power, 8.0 * background) / background
    white[int(24 * size / SAMPLES_PER_REV) :] = 0.0
    found = scipy.fft.irfft(white, size)[: min(wanted, count)]
    found = found * count / np.maximum(count - np.arange(len(found)), 0.2 * count)
    return np.pad(found, (0, wanted - len(found))) / max(float(found[0]), 1e-12)
