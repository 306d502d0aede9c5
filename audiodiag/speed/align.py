"""How far apart do two recordings of one engine run, and do their clocks agree?

A separate recording of speed pulses seldom starts with the clip, and its clock runs a little faster or
slower. The engine's own speed is in both: as heard in the clip, and as read from the pulses. Their
cross-correlation finds the offset; least squares around it, with the clocks' ratio as a second unknown, give
offset, drift and their uncertainty. Only the course of the speed counts, not its level, so a speed heard at
half or double its value serves as well. Source: generalised least squares, any textbook; the number of
independent instants is that of residuals with exponential correlation (Priestley, Spectral Analysis and Time
Series, 1981, 5.3, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import SpeedError
from audiodiag.records import FloatArray

__all__ = ["Alignment", "align_speeds"]

STEP_S = 0.05
LEAST_OVERLAP_S = 4.0
LEAST_MOTION = 0.004
"""A speed that moves less than this (relative standard deviation) has no course to compare."""
APART_S = 1.0
"""Peaks of the correlation nearer than this belong together."""
DRIFT_SD_PPM = 200.0
"""What clocks of phones and recorders are taken to differ by (common practice, no published source)."""
ROUNDS = 8


@dataclass(frozen=True)
class Alignment:
    """Where the clip lies in the reference: ``t_reference = offset_s + t_clip (1 + drift_ppm / 10^6)``.

    ``offset_sd_s`` and ``drift_sd_ppm``: standard uncertainties; that of the offset holds at the start of the
    clip. ``level_ratio``: speed of the clip over that of the reference, 1 where both are right.
    ``correlation``: of the two courses at the best place; ``second_correlation``: at the best other
    peak more than a second away. ``overlap_s``: length in which both are known there. ``quality``: 0
    (nothing known) to 1, the correlation squared times its lead over the second place. ``text``: the same in
    words.
    """

    offset_s: float
    offset_sd_s: float
    drift_ppm: float
    drift_sd_ppm: float
    level_ratio: float
    correlation: float
    second_correlation: float
    overlap_s: float
    quality: float
    text: str

    @property
    def known(self) -> bool:
        """Whether the two could be laid upon each other at all."""
        return self.quality > 0.0

    def reference_time_s(self, clip_time_s: ArrayLike) -> FloatArray:
        """Give the reference's time at times of the clip, seconds, shape as given."""
        return np.asarray(
            self.offset_s + np.asarray(clip_time_s, dtype=float) * (1.0 + 1e-6 * self.drift_ppm)
        )


def align_speeds(
    clip_time_s: ArrayLike,
    clip_rpm: ArrayLike,
    reference_time_s: ArrayLike,
    reference_rpm: ArrayLike,
    *,
    drift_sd_ppm: float = DRIFT_SD_PPM,
    least_overlap_s: float = LEAST_OVERLAP_S,
) -> Alignment:
    """Lay the speed heard in a clip upon the speed of a separate reference.

    Parameters
    ----------
    clip_time_s, clip_rpm:
        Shape (n,): speed over time in the clip, NaN where unknown.
    reference_time_s, reference_rpm:
        Shape (m,): the same in the reference, for example from its pulses.
    drift_sd_ppm:
        How far the clocks are expected to differ, parts in a million; it holds the drift near zero where the
        curves are too short to tell.
    least_overlap_s:
        Both must be known for at least this long.

    Returns
    -------
    Alignment
        With quality 0 and NaN where the speed hardly moves, so that nothing can be compared.

    Raises
    ------
    SpeedError
        If shapes do not fit, times do not rise or too little is known.

    >>> t = np.arange(0, 30, 0.1)
    >>> course = lambda s: 800 + 60 * np.sin(0.9 * s) + 40 * np.sin(0.37 * s * s / 10)
    >>> found = align_speeds(t, course(t + 2.345), np.arange(0, 40, 0.1), course(np.arange(0, 40, 0.1)))
    >>> round(found.offset_s, 2), found.quality > 0.3
    (2.34, True)
    """
    clip = _curve(clip_time_s, clip_rpm, "clip", least_overlap_s)
    reference = _curve(reference_time_s, reference_rpm, "reference", least_overlap_s)
    still = [
        name for name, curve in (("clip", clip), ("reference", reference)) if curve.motion < LEAST_MOTION
    ]
    if still:
        return _unknown(
            f"The engine speed of the {' and the '.join(still)} hardly moves, so nothing shows where the two "
            "recordings meet; blip the throttle once at the start and at the end."
        )
    lags, correlation = _correlations(clip, reference, least_overlap_s)
    best = int(np.nanargmax(correlation))
    others = np.where(_off_the_peak(lags, correlation, best), correlation, np.nan)
    second = max(float(np.nanmax(others)), 0.0) if np.isfinite(others).any() else 0.0
    peak = float(correlation[best])
    if peak <= 0.0:
        return _unknown("The two courses of the speed have nothing in common.")
    return _fitted(clip, reference, float(lags[best]), peak, second, drift_sd_ppm)


@dataclass(frozen=True, eq=False)
class _Curve:
    """Logarithm of the speed on an even grid, NaN where unknown."""

    time_s: FloatArray
    level: FloatArray

    @property
    def motion(self) -> float:
        return float(np.nanstd(self.level))


def _curve(time_s: ArrayLike, rpm: ArrayLike, name: str, least_s: float) -> _Curve:
    times, speeds = np.asarray(time_s, dtype=float), np.asarray(rpm, dtype=float)
    if times.shape != speeds.shape or times.ndim != 1 or len(times) < 2 or not (np.diff(times) > 0).all():
        raise SpeedError(
            f"the speed of the {name} is no curve over time",
            got=f"{times.shape} times and {speeds.shape} speeds",
            allowed="two rows of the same length, times rising",
            todo="give one speed for every time",
        )
    known = np.isfinite(speeds) & (speeds > 0)
    grid = np.arange(times[0], times[-1] + 0.5 * STEP_S, STEP_S)
    if known.sum() >= 2:
        level = np.interp(grid, times[known], np.log(speeds[known]))
        gap = np.interp(grid, times, known.astype(float)) < 0.999
        level[gap | (grid < times[known][0]) | (grid > times[known][-1])] = np.nan
    else:
        level = np.full(len(grid), np.nan)
    known_s = float(np.isfinite(level).sum()) * STEP_S
    if known_s < least_s:
        raise SpeedError(
            f"too little of the speed of the {name} is known",
            got=f"{known_s:.1f} s",
            allowed=f"at least {least_s:g} s",
            todo="record longer, or with the engine louder",
        )
    return _Curve(grid, level)


def _correlations(clip: _Curve, reference: _Curve, least_s: float) -> tuple[FloatArray, FloatArray]:
    """Normalised correlation at every offset (s) of whole steps, NaN where too little is known by both.

    The correlation is weighed down where little overlaps: by the overlap over overlap plus the least.
    """
    n, m = len(clip.level), len(reference.level)
    size = 2 ** math.ceil(math.log2(n + m))
    one, two = np.isfinite(clip.level).astype(float), np.isfinite(reference.level).astype(float)
    a = np.where(one > 0, clip.level - np.nanmean(clip.level), 0.0)
    b = np.where(two > 0, reference.level - np.nanmean(reference.level), 0.0)

    def slid(x: FloatArray, y: FloatArray) -> FloatArray:
        """Sum over i of x[i] y[i + lag] for lag = -(n - 1) ... m - 1."""
        found = np.fft.irfft(np.conj(np.fft.rfft(x, size)) * np.fft.rfft(y, size), size)
        return np.concatenate([found[size - n + 1 :], found[:m]])

    count = np.round(slid(one, two))
    safe = np.maximum(count, 1.0)
    sum_a, sum_b = slid(a, two), slid(one, b)
    var_a = slid(a * a, two) - sum_a**2 / safe
    var_b = slid(one, b * b) - sum_b**2 / safe
    cross = slid(a, b) - sum_a * sum_b / safe
    least = least_s / STEP_S
    little = LEAST_MOTION**2 * 0.25 * safe
    usable = (count >= least) & (var_a > little) & (var_b > little)
    value = cross / np.sqrt(np.maximum(var_a * var_b, 1e-30)) * count / (count + least)
    if not usable.any():
        usable = count >= least
    lags = reference.time_s[0] - clip.time_s[0] + np.arange(-(n - 1), m) * STEP_S
    return lags, np.where(usable, np.clip(value, -1.0, 1.0), np.nan)


def _off_the_peak(lags: FloatArray, correlation: FloatArray, best: int) -> NDArray[np.bool_]:
    """Which lags lie more than APART_S away and beyond the slope that falls from the best place."""
    off = np.abs(lags - lags[best]) > APART_S
    for way in (-1, 1):
        place, low = best, float(correlation[best])
        while 0 <= place < len(lags) and correlation[place] <= low + 1e-3:
            low = min(low, float(correlation[place]))
            off[place] = False
            place += way
    return off


def _fitted(
    clip: _Curve, reference: _Curve, offset_s: float, peak: float, second: float, drift_sd_ppm: float
) -> Alignment:
    """Least squares for offset, drift and ratio of levels around the best place of the correlation."""
    known = np.isfinite(reference.level)
    filled = np.interp(reference.time_s, reference.time_s[known], reference.level[known])
    slope = np.gradient(filled, STEP_S)
    unknown = 1.0 - known.astype(float)
    drift = 0.0
    middle = 0.0
    covariance = np.full((3, 3), np.nan)
    used = np.zeros(0, dtype=bool)
    ratio = 0.0
    for _ in range(ROUNDS):
        at = offset_s + clip.time_s * (1.0 + drift)
        inside = (at >= reference.time_s[0]) & (at <= reference.time_s[-1]) & np.isfinite(clip.level)
        used = inside & (np.interp(at, reference.time_s, unknown) < 1e-3)
        if used.sum() * STEP_S < 1.0:
            return _unknown("The two recordings hardly overlap.")
        time_s = clip.time_s[used]
        middle = float(time_s.mean())
        rest = clip.level[used] - np.interp(at[used], reference.time_s, filled)
        steep = np.interp(at[used], reference.time_s, slope)
        table = np.stack([steep, steep * (time_s - middle), np.ones(len(rest))], axis=1)
        variance = _variance_per_value(rest - rest.mean(), 1)
        wall = np.array([1e-9, 1.0 / max(drift_sd_ppm * 1e-6, 1e-12) ** 2, 1e-9])
        normal = table.T @ table / variance + np.diag(wall)
        right = table.T @ rest / variance - np.array([0.0, wall[1] * drift, 0.0])
        step = np.linalg.solve(normal, right)
        covariance = np.linalg.inv(normal)
        step_s = float(np.clip(step[0], -1.0, 1.0))
        offset_s += step_s - float(step[1]) * middle
        drift += float(step[1])
        ratio = float(step[2])
        if abs(step_s) < 1e-6 and abs(step[1]) < 1e-9:
            break
    at = offset_s + clip.time_s * (1.0 + drift)
    one, two = clip.level[used], np.interp(at[used], reference.time_s, filled)
    spread = float(one.std() * two.std())
    correlation = float(((one - one.mean()) * (two - two.mean())).mean() / spread) if spread > 0 else 0.0
    at_start = covariance[0, 0] - 2.0 * middle * covariance[0, 1] + middle**2 * covariance[1, 1]
    lead = float(np.clip((peak - second) / max(peak, 1e-9) / 0.2, 0.0, 1.0))
    quality = round(max(correlation, 0.0) ** 2 * lead, 3)
    overlap_s = float(used.sum()) * STEP_S
    offset_sd_s = math.sqrt(max(at_start, 0.0))
    drift_sd = 1e6 * math.sqrt(max(float(covariance[1, 1]), 0.0))
    text = (
        f"The clip begins {offset_s:.2f} s (give or take {2 * offset_sd_s:.2f} s) into the reference; the "
        f"two courses agree with a correlation of {correlation:.2f} over {overlap_s:.0f} s, the next best "
        f"place with {second:.2f}; the clocks differ by {1e6 * drift:.0f} parts in a million (give or take "
        f"{2 * drift_sd:.0f})."
    )
    return Alignment(
        offset_s=offset_s,
        offset_sd_s=offset_sd_s,
        drift_ppm=1e6 * drift,
        drift_sd_ppm=drift_sd,
        level_ratio=math.exp(ratio),
        correlation=correlation,
        second_correlation=second,
        overlap_s=overlap_s,
        quality=quality,
        text=text,
    )


def _variance_per_value(rest: FloatArray, least: int) -> float:
    """Variance that every value is given so that neighbours, which are alike, do not count as independent."""
    variance = float((rest**2).mean()) + 1e-10
    alike = float((rest[1:] * rest[:-1]).mean()) / variance if len(rest) > 2 else 0.0
    alike = min(max(alike, 0.0), 0.98)
    return variance * max((1.0 + alike) / (1.0 - alike), float(least))


def _unknown(text: str) -> Alignment:
    nan = math.nan
    return Alignment(nan, math.inf, nan, math.inf, nan, 0.0, 0.0, 0.0, 0.0, text)
