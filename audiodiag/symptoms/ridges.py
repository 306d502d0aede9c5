"""Which tones come and go between 1 and 10 kHz, and do they hold their pitch or their order?

Peaks of the short transforms are linked from frame to frame into ridges.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.scene import Scene
from audiodiag.symptoms.spectra import Index, bridge, decibels, smooth, spread_maximum, surroundings

__all__ = ["Ridge", "levels_filled", "prominence_db", "speed_at_frames", "tonal_ridges"]

PEAK_DB = 11.6
NOVEL_DB = 7.0
PEAKS = 5
JUMP = 0.02
GAP_FRAMES = 2

USUAL_S, USUAL_PERCENT, USUAL_LINES, HOLE_DB = 1.0, 80.0, 40, 10.5
"""Usual is a level that in so long four frames in five stay below, the middle of so many lines on either
side; what lies ``HOLE_DB`` further down is a hole. Noise lies 4.6 dB below usual on average."""

QUIET_HZ, QUIET_PERCENT, QUIET_DB = (500.0, 10000.0), 75.0, 3.0
"""A frame beside a loud sound is quiet where three lines in four lie further below usual than this; those
of noise lie 0.7 dB below. A coder leaves out fewer of them."""

NOISE_DB, FILLED_NOISE_DB = 2.5, 1.9
"""So far the mean level of noise lies below the level of its mean power, and where holes are filled."""


@dataclass(frozen=True, eq=False)
class Ridge:
    """One tone over time: frames (index into tone_time_s), frequency_hz, prominence_db, power, shape (n,)."""

    frames: Index
    frequency_hz: FloatArray
    prominence_db: FloatArray
    power: FloatArray

    def pitch_residual_percent(self) -> float:
        """Scatter of the frequency around its median, per cent, robust against single wrong links."""
        return _scatter_percent(np.log(self.frequency_hz))

    def order_residual_percent(self, rpm: FloatArray) -> float:
        """Scatter of frequency over engine speed, per cent; rpm: speed at every frame of the scene."""
        return _scatter_percent(np.log(self.frequency_hz / rpm[self.frames]))

    def restlessness_hz(self) -> float:
        """Median change of the frequency from frame to frame, Hz: under 1 for a chime."""
        return float(np.median(np.abs(np.diff(self.frequency_hz)))) if len(self.frames) > 1 else 0.0


def _scatter_percent(values: FloatArray) -> float:
    return float(148.26 * np.median(np.abs(values - np.median(values))))


def levels_filled(scene: Scene) -> FloatArray:
    """Level of every line of every frame, dB, shape (w, f), holes filled up to below what is usual there.

    A coder that saves bits leaves bands of the highs out for moments. What stands beside such a hole, or
    alone among several, is no tone. Usual is what one frame in five of a second reaches, the lines
    around together, so that a tone that wanders among them does not count as usual; in a frame beside a loud
    sound, which is low all over, usual lies as far lower.
    """
    level = decibels(scene.tone).astype(np.float32)
    if len(level) < 2:
        return level
    frame_s = float(scene.tone_time_s[1] - scene.tone_time_s[0])
    edges = np.linspace(0, len(level), max(round(len(level) * frame_s / USUAL_S), 1) + 1).astype(int)
    often = np.stack(
        [np.percentile(level[a:b], USUAL_PERCENT, axis=0) for a, b in itertools.pairwise(edges)], axis=1
    )
    often = surroundings(often, USUAL_LINES)
    place = np.interp(np.arange(len(level)), 0.5 * (edges[:-1] + edges[1:] - 1), np.arange(len(edges) - 1))
    low = place.astype(int)
    part = place - low
    usual = (often[:, low] * (1.0 - part) + often[:, np.minimum(low + 1, len(edges) - 2)] * part).T
    heard = (scene.tone_hz > QUIET_HZ[0]) & (scene.tone_hz < QUIET_HZ[1])
    if heard.any():
        under = np.percentile((level - usual)[:, heard], QUIET_PERCENT, axis=1) + QUIET_DB
        usual = usual + np.minimum(under, 0.0)[:, None]
    return np.asarray(np.maximum(level, usual - HOLE_DB), dtype=np.float32)


def prominence_db(scene: Scene) -> FloatArray:
    """Height of every line of every frame over the mean level of its neighbours, dB, shape (w, f)."""
    return _over_neighbours(decibels(scene.tone).astype(np.float32), NOISE_DB)


def _over_neighbours(level: FloatArray, noise_db: float) -> FloatArray:
    """Height of every line, shape (w, f), over the mean power of its neighbours, dB.

    noise_db: so far the mean level of noise lies below the level of its mean power.
    """
    near, wide = 7, 35
    inner = smooth(level, near, axis=1)
    outer = smooth(level, wide, axis=1)
    around = (outer * wide - inner * near) / (wide - near)
    return np.asarray(level - around - noise_db)


def tonal_ridges(
    scene: Scene, level: FloatArray, low_hz: float, high_hz: float, shortest: int = 4
) -> list[Ridge]:
    """Link peaks into ridges of at least ``shortest`` frames (some 21 ms each), the most prominent first.

    level: that of every line of every frame, dB, shape (w, f), as ``levels_filled`` gives it.
    """
    inside = np.flatnonzero(
        (scene.tone_hz > low_hz) & (scene.tone_hz < min(high_hz, scene.tone_hz[-1] * 0.97))
    )
    if len(inside) < 40 or len(scene.tone) < shortest:
        return []
    found = _peaks(scene, level, int(inside[0]), int(inside[-1]))
    open_ridges: list[list[tuple[int, float, float, float]]] = []
    closed: list[list[tuple[int, float, float, float]]] = []
    for frame, peaks in enumerate(found):
        still: list[list[tuple[int, float, float, float]]] = []
        for ridge in open_ridges:
            (still if frame - ridge[-1][0] <= GAP_FRAMES else closed).append(ridge)
        open_ridges = still
        taken: set[int] = set()
        for frequency, prominence, power in peaks:
            near = [
                (abs(frequency / ridge[-1][1] - 1.0), i)
                for i, ridge in enumerate(open_ridges)
                if i not in taken and ridge[-1][0] < frame
            ]
            if near and min(near)[0] < JUMP:
                index = min(near)[1]
                open_ridges[index].append((frame, frequency, prominence, power))
                taken.add(index)
            else:
                open_ridges.append([(frame, frequency, prominence, power)])
                taken.add(len(open_ridges) - 1)
    ridges = [_ridge(r) for r in closed + open_ridges if len(r) >= shortest]
    return sorted(ridges, key=lambda r: -float(np.sum(r.prominence_db - PEAK_DB + 2.0)))


def _ridge(points: list[tuple[int, float, float, float]]) -> Ridge:
    frames, frequency, prominence, power = (np.array(column) for column in zip(*points, strict=True))
    return Ridge(frames, frequency, prominence, power)


def _peaks(scene: Scene, level: FloatArray, first: int, last: int) -> list[list[tuple[float, float, float]]]:
    """The highest local peaks of every frame: frequency (by a parabola), prominence, power of three lines."""
    height = _over_neighbours(level, FILLED_NOISE_DB)
    middle = height[:, first : last + 1]
    top = (
        (middle > PEAK_DB)
        & (middle >= height[:, first - 1 : last])
        & (middle > height[:, first + 1 : last + 2])
    )
    usual = np.percentile(level[:: max(len(level) // 400, 1)], 30.0, axis=0)
    usual = spread_maximum(usual, 1)
    top &= (level - usual)[:, first : last + 1] > NOVEL_DB
    rows, columns = np.nonzero(top)
    columns = columns + first
    left, centre, right = level[rows, columns - 1], level[rows, columns], level[rows, columns + 1]
    bend = left - 2 * centre + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, 1.0), 0.0)
    frequency = (columns + shift) * (scene.tone_hz[1] - scene.tone_hz[0])
    prominence = height[rows, columns]
    power = scene.tone[rows, columns - 1] + scene.tone[rows, columns] + scene.tone[rows, columns + 1]
    found: list[list[tuple[float, float, float]]] = [[] for _ in range(len(scene.tone))]
    order = np.lexsort((-prominence, rows))
    for i in order:
        if len(found[rows[i]]) < PEAKS:
            found[rows[i]].append((float(frequency[i]), float(prominence[i]), float(power[i])))
    return found


def speed_at_frames(scene: Scene) -> FloatArray | None:
    """Engine speed at every frame of the short transforms, None where it is unknown."""
    if not np.isfinite(scene.rpm).any():
        return None
    return np.asarray(np.interp(scene.tone_time_s, scene.time_s, bridge(scene.rpm)))
