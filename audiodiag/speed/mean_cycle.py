"""The last step to a fine speed: how early or late each half turn comes against the mean engine cycle.

Windows long enough to part the engine's lines blur what the speed does within half a second. Here nothing is
parted: the clip is laid in rows of one engine cycle, and each cycle is compared with the mean of those around
it. Where the track lags, the sound comes early, and differs from the mean by its slope times the lag: one
least-squares number for every half turn and every band, from all orders at once. The bands are weighed by the
noise that is left over and by how well each keeps to what all say. Speed walks or glides at random; how fast
it does is averaged over, at each instant by how well half turns around are told by their neighbours alone.

Sources, from memory: synchronous averaging, McFadden, Mechanical Systems and Signal Processing 1 (1987) 83;
the shift that one noisy copy of a known waveform shows, Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory (1993), chapter 3; what a smoother says of a point that is left out, Craven and Wahba,
Numerische Mathematik 31 (1979) 377.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from scipy.ndimage import gaussian_filter1d

from audiodiag.records import FloatArray
from audiodiag.signal.powers import mean_around, power_of
from audiodiag.speed.front import Baseband, between
from audiodiag.speed.refine import RefinedTrack, angle_times

__all__ = ["FEWEST_CYCLES", "follow_cycles"]

SAMPLES_PER_REV = 64
LAID_PER_REV = 256
"""Samples a turn at first: nothing folds back over the orders listened to, down to 310 rpm."""
CYCLE = 2 * SAMPLES_PER_REV
HALF_TURN = SAMPLES_PER_REV // 2
"""Samples for which one lag is found."""
STEP = HALF_TURN / SAMPLES_PER_REV
"""The same in turns."""
FEWEST_CYCLES = 8
"""Cycles below which there is no mean to compare with."""
AROUND_CYCLES = 10.0
"""How far the mean reaches (standard deviation); the cycle itself stays out of it."""
LOWEST_ORDER, HIGHEST_ORDER = 0.3, 24.0
NOISE_REVS = 8
"""Length of the spectra from which the noise is taken."""
NOISE_ORDERS = 1.0
"""Width over which the spectrum of what is left is smoothed."""
SCATTER_HALF_TURNS = 8.0
"""Over how many half turns (standard deviation) the noise of a band is taken."""
STEADY_REVS = 8.0
"""Over so many turns (standard deviation) the track that was given is right on the mean."""
STEADY = 5e-4
"""Standard deviation of that mean, a share of the speed."""
LAWS = tuple(
    (order, 10.0 ** (0.5 * step)) for order, first in ((1, -13), (2, -12)) for step in range(first, first + 7)
)
"""How log speed moves from turn to turn: order of the difference that is random, and its variance."""
EXPECTED, EXPECTED_SPREAD = -5.0, 0.5
"""Logarithm to ten of the variance that is thought most likely beforehand (by simulation)."""
MORE_NOISE = 4.0
"""Variance of the lags against what the noise says: an engine fires unevenly too (by simulation)."""
AROUND_HALF_TURNS = 40.0
"""Over how many half turns (standard deviation) it is taken which law tells them best."""
MOST_LEVERAGE = 0.95
"""Most that a half turn is taken to tell of itself."""
LEVERAGE_STEPS = 2048
USUAL_LAW = (1, 1e-5)
MOST_CORRECTION = 0.006
"""Largest share by which the track may be corrected."""
GAIN_STEPS = 3
"""Steps of conjugate gradients; more change nothing that could be told."""
SOLVED = 1e-18
"""Share of the first misfit of the equations at which they count as solved."""
LOOSE = 4e-3
"""Spread of a half turn's correction by which these steps are prepared."""


def _against_mean(sound: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give what differs from the mean cycle around, and that mean's slope per turn, rows of half turns."""
    rows = sound.reshape(-1, CYCLE)
    mean = _around(rows)
    half_orders = np.arange(CYCLE // 2 + 1) / 2.0
    slope = scipy.fft.irfft(scipy.fft.rfft(mean, axis=1) * (2j * np.pi * half_orders), CYCLE, axis=1)
    return (rows - mean).reshape(-1, HALF_TURN), slope.reshape(-1, HALF_TURN)


def _around(rows: FloatArray, *, turned: bool = False) -> FloatArray:
    """Mean of the rows around each, without the row itself; turned: the transposed of that operation."""
    own, weight = _shares(len(rows))
    taken = rows / weight if turned else rows
    total = gaussian_filter1d(taken, AROUND_CYCLES, axis=0, mode="constant") - own * taken
    return np.asarray(total if turned else total / weight)


@lru_cache(maxsize=64)
def _shares(count: int) -> tuple[float, FloatArray]:
    """How much a row counts for its own blurred place, and all others together for each, (count, 1)."""
    one = np.zeros(count)
    one[count // 2] = 1.0
    own = float(gaussian_filter1d(one, AROUND_CYCLES, mode="constant").max())
    return own, (gaussian_filter1d(np.ones(count), AROUND_CYCLES, mode="constant") - own)[:, None]


def _relative(lag: FloatArray, *, turned: bool = False) -> FloatArray:
    """Lag against that of the mean cycle: of the half turns at the same place of the cycles around."""
    rows = lag.reshape(-1, CYCLE // HALF_TURN)
    return np.asarray((rows - _around(rows, turned=turned)).ravel())


def follow_cycles(
    signals: tuple[Baseband, ...], track: RefinedTrack, *, top_hz: float = 1150.0
) -> RefinedTrack:
    """Correct a refined track (within some 0.3 %) by the lags of half turns against the mean cycle.

    Parameters
    ----------
    signals:
        Bands that carry the engine, each for itself, of one length and rate: the low band and the envelopes
        of higher ones.
    track:
        The refined track; given back as it is where the clip is too short or nothing sounds.
    top_hz:
        Highest frequency listened to.
    """
    time_s, rpm = track.time_s, track.rpm
    sounds, when = _laid(signals, time_s, rpm)
    if len(sounds[0]) < FEWEST_CYCLES * CYCLE:
        return track
    top = min(HIGHEST_ORDER, top_hz / (float(np.median(rpm)) / 60.0))
    noises = [_noise_between(sound) for sound in sounds]
    lags = _lags(sounds, noises, top)
    if not lags.weight.any():
        return track
    log_track = np.log(np.interp(when, time_s, rpm))
    lag = _most_probable(lags, log_track, *USUAL_LAW)
    noises = [_noise_left(sound, lag) for sound in sounds]
    lags = _trusted(_lags(sounds, noises, top), log_track)
    lags = _Lags(lags.lag, lags.weight / MORE_NOISE)
    between, correction, doubt = _averaged(lags, log_track, when)
    better = rpm * np.exp(np.interp(time_s, between, np.clip(correction, -MOST_CORRECTION, MOST_CORRECTION)))
    return RefinedTrack(time_s, better, np.interp(time_s, between, doubt) * better)


def _laid(
    signals: tuple[Baseband, ...], time_s: FloatArray, rpm: FloatArray
) -> tuple[list[FloatArray], FloatArray]:
    """Give the sounds by crank angle in whole cycles, (cycles * CYCLE,) each, and when half turns are."""
    when = angle_times(signals[0], time_s, rpm, samples_per_rev=LAID_PER_REV)
    closer = LAID_PER_REV // SAMPLES_PER_REV
    count = len(when) // (CYCLE * closer) * CYCLE
    if count == 0:
        return [np.zeros(0)], np.zeros(0)
    when = when[: count * closer]
    middles = (HALF_TURN // 2 + HALF_TURN * np.arange(count // HALF_TURN)) * closer
    sounds: list[FloatArray] = []
    for values in between(signals, when):
        lines = scipy.fft.rfft(values)
        sounds.append(np.asarray(scipy.fft.irfft(lines[: count // 2 + 1], count), float) / closer)
    return sounds, when[middles]


@dataclass(frozen=True, eq=False)
class _Noise:
    """Power of the noise of one band, per sample, over the orders."""

    orders: FloatArray
    power: FloatArray

    def whitened(self, sound: FloatArray, top: float) -> FloatArray:
        """Give the sound with the noise made level, only up to an order ``top``."""
        orders = np.fft.rfftfreq(len(sound), 1.0 / SAMPLES_PER_REV)
        weight = np.exp(-0.5 * np.interp(orders, self.orders, np.log(self.power + 1e-30)))
        weight[(orders < LOWEST_ORDER) | (orders > top)] = 0.0
        return np.asarray(scipy.fft.irfft(scipy.fft.rfft(sound) * weight, len(sound)))


def _spectra(sound: FloatArray) -> FloatArray:
    """Power spectra over the clip, per sample, in steps of 1/8 order."""
    length = NOISE_REVS * SAMPLES_PER_REV
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[::CYCLE]
    window = np.hanning(length + 1)[:-1]
    return power_of(scipy.fft.rfft(frames * window, axis=1)) / (window @ window)


def _noise_between(sound: FloatArray) -> _Noise:
    """Take the noise from midway between the half orders, where an engine has no line."""
    spectra = _spectra(sound)
    between = np.arange(2, spectra.shape[1] - 1, 4)
    power = np.median(spectra[:, between], axis=0) / np.log(2.0)
    return _Noise(between / NOISE_REVS, np.exp(gaussian_filter1d(np.log(power + 1e-30), 1.0)))


def _noise_left(sound: FloatArray, lag: FloatArray) -> _Noise:
    """Take the noise from what neither the mean cycle nor its lag accounts for."""
    off, slope = _against_mean(sound)
    place = np.interp(np.arange(len(sound)), HALF_TURN * (np.arange(len(lag)) + 0.5), _relative(lag))
    power = _spectra(off.ravel() - slope.ravel() * place).mean(axis=0)
    width = int(NOISE_ORDERS * NOISE_REVS) + 1
    return _Noise(np.arange(len(power)) / NOISE_REVS, mean_around(power, width))


@dataclass(frozen=True, eq=False)
class _Lags:
    """By how much of a turn the track lags in each half turn against the mean around, with its weight.

    Both of shape (bands, n); weight is the inverse variance as the noise of the band has it.
    """

    lag: FloatArray
    weight: FloatArray

    def together(self) -> tuple[FloatArray, FloatArray]:
        """Give what all bands say, and its weight, both of shape (n,)."""
        weight = self.weight.sum(axis=0)
        return (self.weight * self.lag).sum(axis=0) / np.maximum(weight, 1e-12), weight


def _lags(sounds: list[FloatArray], noises: list[_Noise], top: float) -> _Lags:
    """Find the lag of every half turn in every band."""
    lags, weights = [], []
    share = 2.0 * (top - LOWEST_ORDER) / SAMPLES_PER_REV
    for sound, noise in zip(sounds, noises, strict=True):
        off, slope = _against_mean(noise.whitened(sound, top))
        scatter = gaussian_filter1d((off**2).mean(axis=1), SCATTER_HALF_TURNS) / share
        scatter = np.maximum(scatter, max(0.1 * float(scatter.mean()), 1e-12))
        steep = (slope**2).sum(axis=1)
        lags.append((off * slope).sum(axis=1) / np.maximum(steep, 1e-12))
        weights.append(steep / scatter)
    return _Lags(np.array(lags), np.array(weights))


def _trusted(lags: _Lags, log_track: FloatArray) -> _Lags:
    """Weigh each band down by how much worse than its noise it keeps to what all say."""
    worse = np.ones((len(lags.lag), 1))
    for _ in range(2):
        now = _Lags(lags.lag, lags.weight / worse)
        lag = _most_probable(now, log_track, *USUAL_LAW)
        left = lags.lag - _relative(lag)
        worse = np.maximum((lags.weight * left**2).mean(axis=1, keepdims=True), 1.0)
    return _Lags(lags.lag, lags.weight / worse)


def _moved(order: int, variance: float) -> float:
    """Give the variance of the difference of log speed between half turns, from that in a turn."""
    return variance * (STEP / 2.0) ** (2 * order - 1)


def _most_probable(lags: _Lags, log_track: FloatArray, order: int, variance: float) -> FloatArray:
    """Give the most probable lag of the track, in turns, shape (n,).

    The difference of this order of log speed, from half turn to half turn, is random with ``variance`` (per
    turn). Solved by conjugate gradients, prepared by the banded system in which the mean cycle has no lag of
    its own.
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded

    seen, weight = lags.together()
    moved = _moved(order, variance)
    taps = np.array([-1.0, 1.0]) if order == 1 else np.array([1.0, -2.0, 1.0])
    taps = np.convolve(taps, [-1.0, 1.0]) / STEP  # from lags to differences of log speed
    known = np.diff(0.5 * (log_track[1:] + log_track[:-1]), order)
    count, reach = len(seen), len(taps)
    bands = np.zeros((reach, count))
    bands[0] = weight + 1e-6
    loose = (STEP * LOOSE) ** -2.0
    bands[0, :-1] += loose
    bands[0, 1:] += loose
    bands[1, :-1] -= loose
    for i, one in enumerate(taps):
        for j, other in enumerate(taps[: i + 1]):
            bands[i - j, j : count - reach + 1 + j] += one * other / moved
    lower = cholesky_banded(bands, lower=True)
    wide = STEADY_REVS / STEP

    def pulled(lag: FloatArray) -> FloatArray:
        held = weight * _relative(lag)
        rough = np.convolve(np.convolve(lag, taps[::-1], "valid"), taps, "full") / moved
        mean = gaussian_filter1d(np.diff(lag) / STEP, wide, mode="constant")
        steady = gaussian_filter1d(mean, wide, mode="constant") / (wide * STEADY**2 * STEP)
        return np.asarray(_relative(held, turned=True) + rough - np.diff(steady, prepend=0.0, append=0.0))

    wanted = _relative(weight * seen, turned=True) - np.convolve(known, taps, "full") / moved
    lag, left = np.zeros(count), wanted
    ahead = cho_solve_banded((lower, True), left)
    way, gain = ahead, float(left @ ahead)
    enough = gain * SOLVED
    for _ in range(GAIN_STEPS):
        if gain <= enough:
            break
        push = pulled(way)
        far = gain / float(way @ push)
        lag, left = lag + far * way, left - far * push
        ahead = cho_solve_banded((lower, True), left)
        before, gain = gain, float(left @ ahead)
        way = ahead + gain / before * way
    return lag


def _averaged(
    lags: _Lags, log_track: FloatArray, when: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give times between half turns, the correction of log speed there and its standard deviation."""
    seen, weight = lags.together()
    around = gaussian_filter1d(weight, SCATTER_HALF_TURNS)
    witnesses = (2.0 * np.pi) ** 0.5 * AROUND_HALF_TURNS
    found, said, doubts = [], [], []
    for order, variance in LAWS:
        lag = _most_probable(lags, log_track, order, variance)
        found.append(np.diff(lag) / STEP)
        own = _leverage(order, _moved(order, variance) * STEP**2 * around)
        others = 1.0 - np.minimum(own, MOST_LEVERAGE)
        left = (seen - _relative(lag)) / others
        misfit = gaussian_filter1d(weight * left**2, AROUND_HALF_TURNS) * witnesses
        likely = ((np.log10(variance) - EXPECTED) / EXPECTED_SPREAD) ** 2
        said.append(-0.5 * (misfit + likely))
        doubts.append(_variance_left(order, variance, STEP / np.maximum(around, 1e-12)))
    share = np.exp(np.array(said) - np.max(said, axis=0))
    share /= share.sum(axis=0)
    doubt = (share * np.array(doubts)).sum(axis=0)
    share, doubt = 0.5 * (share[:, 1:] + share[:, :-1]), 0.5 * (doubt[1:] + doubt[:-1])
    mean = (share * np.array(found)).sum(axis=0)
    apart = (share * (np.array(found) - mean) ** 2).sum(axis=0)
    return 0.5 * (when[1:] + when[:-1]), mean, np.sqrt(doubt + apart)


@lru_cache(maxsize=2)
def _leverages(order: int) -> tuple[FloatArray, FloatArray]:
    """Give logarithms of what the lags are known by, and how much of a lag found is its own, both (n,)."""
    angle = (np.arange(LEVERAGE_STEPS) + 0.5) / LEVERAGE_STEPS * np.pi
    rough = (2.0 - 2.0 * np.cos(angle)) ** (order + 1)
    known = np.arange(-14.0, 8.0, 0.25)
    return known, np.array([np.mean(1.0 / (1.0 + rough / 10.0**one)) for one in known])


def _leverage(order: int, known: FloatArray) -> FloatArray:
    """How much of the lag found at a half turn it has told itself, the rest its neighbours.

    The smoother of a random walk or glide in the middle of a long clip: the mean over frequency w of
    1 / (1 + (2 - 2 cos w)^(order + 1) / known), known being the variance of the lags' difference of one
    order more, times the weight of a lag.
    """
    logs, leverage = _leverages(order)
    return np.interp(np.log10(known + 1e-30), logs, leverage)


def _variance_left(order: int, variance: float, noise: FloatArray) -> FloatArray:
    """How well log speed is known from lags on both sides, the noise of these being so much in a turn.

    Source: the Wiener smoother, the integral over frequency w of 1 / (w^(2 order) / v + 1 / (noise w^2)), v
    the variance in a turn.
    """
    if order == 1:
        return np.asarray(noise**0.25 * (variance / 2.0) ** 0.75 / 8.0**0.5)
    return np.asarray((noise * variance / 8.0) ** 0.5 / 6.0)
