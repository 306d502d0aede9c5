"""At which orders do the bands of one recording beat, the engine's and a bearing's?

An envelope that swells at the same places of every turn has a line in its spectrum over the crank's angle.
The engine's lie at half orders, those of belts, pulleys and bearings nearly anywhere. How well two lines are
told apart follows from how many revolutions are taken at once: the engine's beat is measured over few, a
bearing's, which may lie close to a half order, over many, and so is the engine's as the ruler of a growl.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from audiodiag.comparison.strengths import Mask, Strengths, taken_out
from audiodiag.records import FloatArray
from audiodiag.symptoms import Scene
from audiodiag.symptoms.spectra import TINY, half_order_distance

__all__ = ["GROWL_HZ", "LONG_REV", "PER_REV", "SHORT_REV", "Beats", "beats_of", "engine_orders"]
__all__ += ["growl_lines", "swing", "swing_at", "widened"]

PER_REV = 48
SHORT_REV, LONG_REV = 12, 48
"""Revolutions of a block: for the engine's beat, and for a bearing's and the engine's beside it (of 12,
24, 36 and 48, chosen on simulated pairs)."""
GROWL_HZ = (700.0, 8000.0)
"""Bands in which the beat of a growl is looked for, Hz."""
HIGHEST_ORDER = 16
ENGINE_WITHIN, CLEAR_OF_ENGINE, FREE_FROM = 0.72, 2.4, 1.7
"""How near to a half order the engine beats, how far from one it surely does not, and from where on another's
line is told from it, all in steps of one over the revolutions of a block."""
FREE_ORDERS = (0.15, 14.0)
CLEAR_LINE, CLEAR_DB = 4.0, 1.0
"""Height of a line, mean of the bands and of a side's recordings, from which it counts: in standard
deviations of all that is free, and in dB at least."""
AROUND_ORDERS, FEWEST_AROUND = 3.0, 5
"""Over how many orders in all a line's surroundings are taken, and the fewest lines of them."""
BESIDE_LINES = 7
"""How many lines on either side of a bearing's line do not show the engine's beat."""


@dataclass(frozen=True, eq=False)
class Beats:
    """Order spectra of the band envelopes.

    hz: shape (bands,). order: shape (q,). power: shape (blocks, q, bands), absolute. time_s: shape (blocks,),
    the middles. revolutions: of one block.
    """

    hz: FloatArray
    order: FloatArray
    power: FloatArray
    time_s: FloatArray
    revolutions: int

    def without(self, gain: FloatArray, scene: Scene) -> Beats:
        """Give them with the phone's moving gain, dB, shape (t,), taken out."""
        return replace(self, power=self.power * taken_out(gain, scene, self.time_s)[:, None, None] ** 2)


def beats_of(scene: Scene, revolutions: int = SHORT_REV) -> Beats | None:
    """Give order spectra of the envelopes of all bands over blocks of so many revolutions.

    Where the recording has less than two such blocks, they are half as long as it is, but no shorter than
    ``SHORT_REV``; None where that is not enough either, or the crank cannot be followed.
    """
    angle = scene.angle
    if angle is None or scene.beat_hz.size == 0 or angle.revolutions < 2 * SHORT_REV:
        return None
    turned = np.arange(int(angle.revolutions * PER_REV) - 1) / PER_REV
    time_s = angle.crank.time_at(turned)
    at = np.clip(time_s * scene.envelope_rate_hz - 4.0, 0, len(scene.envelope) - 1.001)
    index = at.astype(int)
    part = (at - index)[:, None].astype(np.float32)
    last = np.minimum(index + 1, len(scene.envelope) - 1)
    values = scene.envelope[index] * (1 - part) + scene.envelope[last] * part
    taken = max(min(revolutions, len(values) // (2 * PER_REV)), SHORT_REV)
    length, padded, count = taken * PER_REV, 2 * revolutions * PER_REV, 2 * HIGHEST_ORDER * revolutions
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window *= np.float32(2.0 / window.sum())
    starts = np.arange(0, len(values) - length + 1, length // 3)
    power = []
    for start in starts:
        block = values[start : start + length]
        spectrum = np.fft.rfft((block - block.mean(axis=0)) * window[:, None], padded, axis=0)
        power.append((spectrum.real**2 + spectrum.imag**2)[:count])
    order = np.arange(count) / (2.0 * revolutions)
    return Beats(np.asarray(scene.beat_hz), order, np.array(power), time_s[starts + length // 2], taken)


def engine_orders(beats: Beats) -> tuple[Mask, Mask]:
    """Which orders of the beats are the engine's half orders, and which lie well beside them."""
    inside = (beats.order > 0.4) & (beats.order < 8.2)
    distance = half_order_distance(beats.order) * beats.revolutions
    return inside & (distance < ENGINE_WITHIN), inside & (distance > CLEAR_OF_ENGINE)


def growl_lines(sides: Sequence[Sequence[Beats]]) -> Mask | None:
    """Give the lines, shape (q,), at which the bands beat clearly in the recordings of one side or another,
    not the engine's.

    Belts, pulleys and bearings repeat at orders that no engine has; which ones need not be known. They are
    the same in all recordings of a car, what chance makes is not, so that the mean of a side's recordings
    shows fainter ones. None where no recording has beats.
    """
    everything = [beats for side in sides for beats in side]
    if not everything:
        return None
    order = everything[0].order
    free = _free(order, min(beats.revolutions for beats in everything))
    lines = np.zeros(len(order), bool)
    for side in sides:
        heights = [_height_db(beats, free) for beats in side if _growling(beats.hz).any()]
        if heights:
            mean = np.mean(heights, axis=0)
            usual = float(np.median(mean[free]))
            deviation = 1.4826 * float(np.median(np.abs(mean[free] - usual)))
            lines |= mean > max(CLEAR_LINE * deviation, CLEAR_DB)
    lines &= free
    return widened(lines, 1) & free if lines.any() else lines


def _growling(hz: FloatArray) -> Mask:
    return np.asarray((hz >= GROWL_HZ[0]) & (hz <= GROWL_HZ[1]))


def _height_db(beats: Beats, free: Mask) -> FloatArray:
    """Height of every line over the free ones around it, dB, shape (q,), mean of the growl's bands."""
    level = np.log(np.maximum(beats.power.mean(axis=0)[:, _growling(beats.hz)], 1e-40))
    step = float(beats.order[1] - beats.order[0])
    width = max(int(AROUND_ORDERS / step * free.mean()), FEWEST_AROUND) | 1
    middle = median_filter(level[free], size=(width, 1), mode="nearest")
    floor = np.array([np.interp(beats.order, beats.order[free], band) for band in middle.T]).T
    return np.asarray(10.0 / math.log(10.0) * (level - floor).mean(axis=1))


def _free(order: FloatArray, revolutions: int) -> Mask:
    """Orders of a beat that are not the engine's: away from the half orders, where blocks still part them."""
    clear = half_order_distance(order) * revolutions > FREE_FROM
    return np.asarray(clear & (order > FREE_ORDERS[0]) & (order < FREE_ORDERS[1]))


def widened(mask: Mask, by: int) -> Mask:
    """Give a mask with so many more on either side of each."""
    out = mask.copy()
    for step in range(1, by + 1):
        out[step:] |= mask[:-step]
        out[:-step] |= mask[step:]
    return out


def swing(scene: Scene, beats: Beats, mine: Mask, beside: Mask) -> Strengths:
    """Root of what the lines stand above what lies beside them: how far the bands' power swings."""
    floor = beats.power[:, beside].mean(axis=1)
    lines = float(mine.sum())
    over = (beats.power[:, mine] - floor[:, None]).sum(axis=1).mean(axis=0)
    noise = floor.mean(axis=0) * (math.sqrt(lines / _blocks(len(floor))) + 0.05 * lines)
    return _root(scene, over, noise)


def swing_at(scene: Scene, beats: Beats, lines: Mask, blocks: Mask) -> Strengths:
    """The same at a bearing's lines, shape (q,), each over what is free of lines around it, within the chosen
    blocks, shape (blocks,)."""
    power = beats.power[blocks].mean(axis=0)
    beside = np.flatnonzero(_free(beats.order, beats.revolutions) & ~widened(lines, 2))
    mine = np.flatnonzero(lines)
    half = round(0.25 * AROUND_ORDERS / float(beats.order[1] - beats.order[0]))
    last = np.clip(np.searchsorted(beside, mine + half), 3, len(beside))
    first = np.minimum(np.searchsorted(beside, mine - half), last - 3)
    sums = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power[beside], axis=0)])
    floor = (sums[last] - sums[first]) / (last - first)[:, None]
    over = (power[mine] - floor).sum(axis=0)
    noise = np.sqrt(1.5 * (floor**2).sum(axis=0) / _blocks(int(blocks.sum()))) + 0.05 * floor.sum(axis=0)
    return _root(scene, over, noise)


def _blocks(count: int) -> float:
    """How many blocks that overlap by two thirds count as independent."""
    return max(count / 2.5, 1.0)


def _root(scene: Scene, over: FloatArray, noise: FloatArray) -> Strengths:
    """Root of a swing's power and its error, in powers of the bands."""
    width = scene.beat_hz * 0.4 * 2.0 / scene.sample_rate_hz
    slope = 0.5 / np.sqrt(np.maximum(np.abs(over), noise) + TINY**2)
    return Strengths(
        np.asarray(scene.beat_hz), np.sign(over) * np.sqrt(np.abs(over)) * width, noise * slope * width
    )
