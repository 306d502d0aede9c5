"""How far does something stand above what surrounds it?

Small pure tools that several symptoms share: power of short windows, floors, noise quantiles, robust
contrasts and spans. Powers are relative; every result is a ratio, so that gain cancels out.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from audiodiag.records import FloatArray, Span
from audiodiag.signal.medians import running_median

__all__ = [
    "Index",
    "Mask",
    "bridge",
    "correlation",
    "decibels",
    "doublings",
    "half_order_distance",
    "lines_above_floor",
    "noise_reach_db",
    "peaks_only",
    "percentile",
    "short_time_power",
    "smooth",
    "spans_of",
    "spread_maximum",
    "surroundings",
]

Mask = NDArray[np.bool_]
Index = NDArray[np.integer[Any]]

SILENCE = 1e-6
"""Mean square, against the whole clip's, up to which nothing was recorded but a converter's noise."""
TINY = 1e-20
"""Relative power (the clip's mean is 1) below which a level is held."""


def decibels(power: FloatArray | float) -> FloatArray:
    """Turn relative power into decibels, held at -200 dB.

    >>> decibels(np.array([1.0, 100.0])).tolist()
    [0.0, 20.0]
    """
    return np.asarray(10.0 * np.log10(np.maximum(power, TINY)))


def doublings(ratio: FloatArray | np.floating[Any] | float) -> FloatArray:
    """Turn a ratio into doublings, of the ratio's own precision; NaN, which is missing, where it is nothing.

    >>> doublings(np.array([4.0, 0.5, 0.0])).tolist()
    [2.0, -1.0, nan]
    """
    return np.asarray(np.log2(np.where(np.asarray(ratio) > 0.0, ratio, np.nan)))


def short_time_power(samples: FloatArray, window: int, hop: int, chunk: int = 1024) -> Iterator[FloatArray]:
    """Yield the power of windowed short transforms, some frames at a time, shape (frames, window // 2 + 1).

    Hann window, scaled so that white noise of unit power gives a mean of 1 in each bin. Frame ``i`` is
    centred on sample ``i * hop + window / 2``.

    >>> noise = np.random.default_rng(1).standard_normal(8000).astype(np.float32)
    >>> power = np.concatenate(list(short_time_power(noise, 256, 128)))
    >>> power.shape, bool(abs(power[:, 1:-1].mean() - 1) < 0.05)
    ((61, 129), True)
    """
    if len(samples) < window:
        return
    shape = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(window) + 0.5) / window)).astype(np.float32)
    shape /= np.float32(np.sqrt(np.sum(shape**2)))
    frames = sliding_window_view(samples, window)[::hop]
    for first in range(0, len(frames), chunk):
        transform = scipy.fft.rfft(frames[first : first + chunk] * shape, axis=1)
        yield transform.real**2 + transform.imag**2


def smooth(values: FloatArray, width: int, axis: int = 0) -> FloatArray:
    """Running mean over ``width`` values, ends held."""
    if width <= 1 or values.shape[axis] == 0:
        return values
    return np.asarray(uniform_filter1d(values, min(width, values.shape[axis]), axis=axis, mode="nearest"))


def surroundings(power: FloatArray, half_width: int) -> FloatArray:
    """Median of the neighbourhood of every line along the first axis (mirrored at the ends).

    >>> surroundings(np.array([1.0, 1.0, 9.0, 1.0, 1.0]), 1).tolist()
    [1.0, 1.0, 1.0, 1.0, 1.0]
    """
    return running_median(power, 2 * half_width + 1, axis=0, mode="mirror")


def noise_reach_db(averages: float, lines: float) -> float:
    """Level above the median that the highest of ``lines`` lines of plain noise reaches, in dB.

    Power averaged over ``averages`` independent blocks follows a gamma law; its quantile at 1 - 1 / lines by
    the cube-root approximation of Wilson and Hilferty (1931; from memory).

    >>> round(noise_reach_db(100.0, 1000.0), 1)
    1.3
    """
    k = max(averages, 1.0)
    z = float(np.sqrt(2.0 * np.log(max(lines, 2.0)))) - 0.6
    quantile = (1.0 - 1.0 / (9.0 * k) + z / (3.0 * np.sqrt(k))) ** 3
    median = (1.0 - 1.0 / (9.0 * k)) ** 3
    return float(10.0 * np.log10(quantile / median))


def lines_above_floor(power: FloatArray, half_width: int, averages: float, *, every: int = 1) -> FloatArray:
    """Level of every line above the median of its neighbourhood, less what plain noise reaches, in dB.

    power: shape (n,) or (n, columns). every: the median is taken of every so many lines, at each of those.
    """
    if every > 1:
        some = surroundings(power[::every], half_width // every)
        place = np.minimum(np.arange(len(power)) / every, len(some) - 1.0)
        index = np.minimum(place.astype(int), max(len(some) - 2, 0))
        part = (place - index).reshape(-1, *[1] * (power.ndim - 1)).astype(power.dtype)
        floor = some[index] * (1 - part) + some[np.minimum(index + 1, len(some) - 1)] * part
    else:
        floor = surroundings(power, half_width)
    return decibels(power / np.maximum(floor, TINY)) - noise_reach_db(averages, 50.0)


def peaks_only(values: FloatArray, half_width: int, elsewhere: float) -> FloatArray:
    """Keep a line where it is the highest within ``half_width`` neighbours, so that skirts do not count.

    >>> peaks_only(np.array([5.0, 3.0, 1.0, 4.0, 0.0]), 1, -1.0).tolist()
    [5.0, -1.0, -1.0, 4.0, -1.0]
    """
    return np.where(values >= spread_maximum(values, half_width), values, elsewhere)


def spread_maximum(values: FloatArray, half_width: int) -> FloatArray:
    """Largest value within ``half_width`` neighbours along the first axis."""
    return np.asarray(maximum_filter1d(values, 2 * half_width + 1, axis=0, mode="nearest"))


def half_order_distance(order: FloatArray | float) -> FloatArray:
    """Distance of an order from the engine's comb of half orders, 0 to 0.25.

    >>> half_order_distance(np.array([12.0, 12.2, 12.4])).round(3).tolist()
    [0.0, 0.2, 0.1]
    """
    return np.asarray(np.abs(np.asarray(order) - np.round(np.asarray(order) * 2.0) / 2.0))


def percentile(values: FloatArray, percent: float) -> float:
    """Percentile of the finite values, NaN where there is none."""
    finite = np.asarray(values)[np.isfinite(values)]
    return float(np.percentile(finite, percent)) if finite.size else float("nan")


def correlation(first: FloatArray, second: FloatArray) -> float:
    """Pearson correlation of two tracks where both are finite, NaN where one stands still.

    >>> round(correlation(np.array([1.0, 2.0, 3.0, 4.0]), np.array([2.0, 4.0, 6.0, 8.0])), 3)
    1.0
    """
    both = np.isfinite(first) & np.isfinite(second)
    if both.sum() < 4:
        return float("nan")
    a, b = first[both] - first[both].mean(), second[both] - second[both].mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    level = float(np.abs(first[both]).max() * np.abs(second[both]).max()) * len(a)
    return float(a @ b) / scale if scale > 1e-9 * max(level, 1e-30) else float("nan")


def bridge(values: FloatArray) -> FloatArray:
    """Fill NaN by straight lines, ends held; all NaN stays so."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    places = np.arange(len(values))
    return np.asarray(np.interp(places, places[known], values[known]))


def spans_of(active: Mask, hop_s: float, shortest_s: float = 0.1, gap_s: float = 0.15) -> tuple[Span, ...]:
    """Turn a track of yes and no into spans in seconds, rounded to 0.1 s.

    Gaps up to ``gap_s`` are closed and spans under ``shortest_s`` are dropped.

    >>> spans_of(np.array([0, 1, 1, 1, 0, 0, 0, 0, 1, 1]) > 0, 0.1)
    ((0.1, 0.4), (0.8, 1.0))
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(active, dtype=np.int8), [0]])))
    merged: list[list[float]] = []
    for start, end in zip(edges[::2] * hop_s, edges[1::2] * hop_s, strict=True):
        if merged and start - merged[-1][1] <= gap_s:
            merged[-1][1] = float(end)
        else:
            merged.append([float(start), float(end)])
    kept = [(round(a, 1), round(b, 1)) for a, b in merged if b - a >= shortest_s - 1e-9]
    return tuple((a, b) for a, b in kept if b > a)
