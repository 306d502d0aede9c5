"""Rows of bursts: do short bursts come at an even pace, whatever the engine does, and how slim are they?

A chirp is heard without any engine speed: bursts in a row, each in a few bands of the highs, the pace rising
and falling slowly. What an engine knocks with comes in even rows as well, but reaches over more bands, down
to the lows. So a comb of paces is sought over time, band by band, in windows short enough for a
pace that moves; then what all bands do at the bursts of one band is measured: that band of the window whose
comb stands out most beside what the lows beat with at the same pace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.ndimage import median_filter

from audiodiag.records import FloatArray
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import TINY, Index, Mask, decibels, smooth, spread_maximum, surroundings

__all__ = [
    "FEWEST_NARROW",
    "LOWEST_NARROW_HZ",
    "BurstRow",
    "above_usual",
    "find_row",
    "short_rises",
    "slowed",
]

LOWEST_NARROW_HZ, FEWEST_NARROW = 1800.0, 4
LOWS_HZ = 1200.0
WINDOW_S = 3.0
PACES_HZ = np.exp(np.arange(np.log(1.5), np.log(13.0), 0.008))
"""Bursts a second: a belt passes 0.18 to 0.66 times a crank turn of 500 to 1,200 rpm (common practice, no
published source)."""
PACE_CHANGES = (0.0, -0.12, 0.12, -0.24, 0.24, -0.36, 0.36)
HARMONICS, FULL_HARMONICS, LATER_COUNT = 6, 3, 0.6
HIGHEST_LINE_HZ, FLOOR_HZ = 76.0, 1.25
LINE_DB, BURST_HELD_DB, LOW_HELD_DB = (-3.0, 15.0), (0.0, 15.0), (-6.0, 15.0)
ROW_BURST_DB, FEWEST_BURSTS = 5.0, 3
SPREAD_OF_DB = 0.5
"""The largest rise counts as this at least."""


@dataclass(frozen=True, eq=False)
class BurstRow:
    """A row of bursts in one band.

    comb_db: how far the comb of its pace stands above its surroundings, mean of the three best bands and of
    the better half of the windows, dB. low_rise_db: how much louder the bands below 1.2 kHz are at the bursts
    than between them, dB; spread: mean rise of all bands over the largest, 0 to 1; both NaN for fewer than
    three bursts. above_db: how far the band stands above its usual level, shape (m,), at rate_hz.
    """

    comb_db: float
    low_rise_db: float
    spread: float
    above_db: FloatArray
    rate_hz: float

    def bursts(self, least_db: float) -> tuple[FloatArray, FloatArray]:
        """When bursts of at least such a height begin and end, shape (n,) each, seconds."""
        starts, ends = short_rises(self.above_db > least_db, self.rate_hz)
        return starts / self.rate_hz, ends / self.rate_hz


def find_row(scene: Scene) -> BurstRow | None:
    """Find the row of bursts that a chirp would be; None where the recording holds too few high bands.

    >>> from audiodiag.records import Clip, Quality, SpeedTrace
    >>> from audiodiag.symptoms.scene import build_scene
    >>> rng, time_s, none = np.random.default_rng(1), np.arange(5 * 32000) / 32000, np.zeros(0)
    >>> burst = np.exp(-0.5 * ((4.0 * time_s % 1.0 - 0.5) / 0.06) ** 2) * np.sin(31400.0 * time_s)
    >>> clip = Clip(rng.standard_normal(len(time_s)) + burst, 32000, "row", "", "pcm")
    >>> unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    >>> row = find_row(build_scene(clip, Quality(True, (), (20.0, 15000.0)), unknown))
    >>> len(row.bursts(5.0)[0]), row.comb_db > 10.0, abs(row.low_rise_db) < 0.5, row.spread < 0.4
    (20, True, True, True)
    """
    columns = np.flatnonzero(scene.narrow_hz > LOWEST_NARROW_HZ)
    if len(columns) < FEWEST_NARROW or not scene.usable or len(scene.envelope) < 400:
        return None
    high, rate = _heights(scene.narrow[:, columns], scene.narrow_rate_hz)
    wide, wide_rate = _heights(scene.envelope, scene.envelope_rate_hz)
    wide = np.clip(wide, *LOW_HELD_DB)
    length = min(int(WINDOW_S * rate), len(high))
    low_columns = np.flatnonzero(scene.beat_hz < LOWS_HZ)
    combs, clearest, band = [], -np.inf, 0
    last = len(high) - length
    for first in (*range(0, last, max(length // 2, 1)), last):
        bursts = np.clip(high[first : first + length], *BURST_HELD_DB)
        begin, end = (int(at / rate * wide_rate) for at in (first, first + length))
        lows = wide[begin:end, low_columns]
        found = np.full(len(columns), -np.inf)
        for change in PACE_CHANGES:
            score = _paces_db(_evened(bursts, change), rate)
            found = np.maximum(found, score.max(axis=0))
            clear = score - _lows_db(_evened(lows, change), wide_rate)[:, None]
            if clear.max() > clearest:
                clearest, band = float(clear.max()), int(np.argmax(clear.max(axis=0)))
        combs.append(found)
    best = np.sort(combs, axis=0)[::-1][: (len(combs) + 1) // 2].mean(axis=0)
    above_db = high[:, band]
    starts, ends = (at / rate * wide_rate for at in short_rises(above_db > ROW_BURST_DB, rate))
    low_rise_db, spread = _at_bursts(wide, low_columns, starts, ends)
    return BurstRow(float(np.sort(best)[::-1][:3].mean()), low_rise_db, spread, above_db, rate)


def slowed(envelope: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """Mean of an envelope over some 4 ms, shape (m, bands), and its rate in Hz."""
    every = max(round(rate_hz / 250.0), 1)
    count = len(envelope) // every
    return envelope[: count * every].reshape(count, every, -1).mean(axis=1), rate_hz / every


def above_usual(level_db: FloatArray, rate: float) -> FloatArray:
    """How far a level stands above its median over 0.8 s, dB."""
    return np.asarray(smooth(level_db, 3) - median_filter(level_db, 2 * int(0.4 * rate) + 1, mode="nearest"))


def short_rises(high: Mask, rate: float) -> tuple[Index, Index]:
    """Where stretches of 12 to 170 ms begin and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(np.int8), [0]])))
    length_ms = (edges[1::2] - edges[::2]) / rate * 1000.0
    kept = (length_ms >= 12.0) & (length_ms <= 170.0)
    return edges[::2][kept], edges[1::2][kept]


def _heights(envelope: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """How far each band stands above its usual level, dB, shape (m, bands), and the rate in Hz."""
    power, rate = slowed(envelope, rate_hz)
    level = decibels(power)
    return np.stack([above_usual(column, rate) for column in level.T], axis=1), rate


def _evened(height: FloatArray, change: float) -> FloatArray:
    """Read a window at instants at which a pace that rises by a share of itself within it is even.

    height: shape (n, bands). change: how much faster the pace is at the end than at the start, over its mean.

    >>> _evened(np.arange(5.0)[:, None], 0.4)[:, 0].round(2).tolist()
    [0.0, 1.16, 2.19, 3.13, 4.0]
    """
    if change == 0.0 or len(height) < 2:
        return height
    at = np.linspace(-1.0, 1.0, len(height))
    turned = at + 0.25 * change * (at * at - 1.0)
    place = np.interp(at, turned, np.arange(len(height)))
    index = np.minimum(place.astype(int), len(height) - 2)
    part = (place - index)[:, None]
    return np.asarray(height[index] * (1.0 - part) + height[index + 1] * part)


def _paces_db(height: FloatArray, rate: float) -> FloatArray:
    """Height of the comb of each pace in the spectrum of bursts over time, dB, shape (paces, bands)."""
    size = scipy.fft.next_fast_len(4 * len(height), real=True)
    step = rate / size
    window = np.hanning(len(height))[:, None]
    power = np.abs(scipy.fft.rfft((height - height.mean(axis=0)) * window, size, axis=0)) ** 2
    power = power[: int(HIGHEST_LINE_HZ / step)]
    floor = surroundings(power, int(FLOOR_HZ / step))
    lines = np.clip(decibels(power / np.maximum(floor, TINY)), *LINE_DB)
    wide = spread_maximum(lines, 1)
    total = np.zeros((len(PACES_HZ), height.shape[1]))
    for multiple in range(1, HARMONICS + 1):
        index = np.minimum(np.round(multiple * PACES_HZ / step).astype(int), len(wide) - 2)
        total += (1.0 if multiple <= FULL_HARMONICS else LATER_COUNT) * wide[index]
    return total / np.sqrt(HARMONICS)


def _lows_db(height: FloatArray, rate: float) -> FloatArray:
    """How far the lows' comb of each pace stands above its middle, dB, shape (paces,); 0 without lows."""
    if not height.size:
        return np.zeros(len(PACES_HZ))
    score = _paces_db(height, rate).mean(axis=1)
    return np.maximum(score - np.median(score), 0.0)


def _at_bursts(wide: FloatArray, lows: Index, starts: FloatArray, ends: FloatArray) -> tuple[float, float]:
    """How much louder the lows are at the bursts, dB, and the mean rise of all bands over the largest."""
    if len(starts) < FEWEST_BURSTS or not wide.size:
        return float("nan"), float("nan")
    inside = np.zeros(len(wide), bool)
    for start, end in zip(starts, ends, strict=True):
        inside[int(start) : int(end) + 1] = True
    if inside.all() or not inside.any():
        return float("nan"), float("nan")
    rise = wide[inside].mean(axis=0) - wide[~inside].mean(axis=0)
    low_rise_db = float(rise[lows].mean()) if len(lows) else float("nan")
    return low_rise_db, float(np.maximum(rise, 0.0).mean() / max(float(rise.max()), SPREAD_OF_DB))
