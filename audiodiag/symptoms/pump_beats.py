"""How far does noise beat at the turns of a pump, for every ratio of turns from 0.82 to 1.68?

What collapses on the suction side swells at R, 2R and R z beats a crank turn, in all bands of the noise but
deepest in the lower ones. The lines are thin, since a pump turns as the crankshaft does: taken over the whole
clip they stand out furthest, over some ninety turns they stand the creep of a belt under load. So every band
is looked at in both, as it is and with its loud stretches weighed up, each against its own surroundings; a
line on the engine's half orders counts for nobody.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from audiodiag.records import FloatArray
from audiodiag.signal.medians import running_median
from audiodiag.symptoms.angle_view import BEAT_SAMPLES_PER_REV
from audiodiag.symptoms.spectra import TINY, Mask, decibels, half_order_distance
from audiodiag.symptoms.stated_pump import OFF_STATED_DB

__all__ = ["RATIOS", "TurnBeats", "turn_beats"]

RATIO_STEP = 0.001
RATIOS = np.arange(0.82, 1.68, RATIO_STEP)
"""Pump turns per crank turn that are searched: more than is common on either side."""
VANES = (7, 8, 9, 10, 11, 12, 13)
LENGTHS_REV = (90.0, 1000.0)
"""Revolutions taken at once, the whole clip where it has fewer."""
TURN, TWICE, VANE = 1.0, 1.2, 1.4
"""How much the beats at R, 2R and R z count (by simulation)."""
LOWEST_DB, HIGHEST_DB = -3.0, 10.0
"""Between these a line counts; what lies on the engine's lines counts as the lowest."""
AROUND_ORDERS = 0.8
"""Width of the surroundings, of lines that are no engine's."""
HIGHEST_ORDER = 23.0
PADDED = 4
FEWEST_REV = 12
EVEN_SHARE = 0.25
"""How much the calmest stretch counts where the loud ones are weighed up."""
APART = 0.04
"""Ratios further apart than this are different beats."""


@dataclass(frozen=True)
class TurnBeats:
    """The ratio at which noise beats furthest: ``ratio`` per crank turn, how far, and against other ratios.

    height_db: sum of the weighed heights at R, 2R and R z, mean over bands, lengths and weights, less what is
    taken off for not being the stated pump's. gap_db: how much further than at any other ratio before that, 0
    where another stands further out. vane_db: mean height at R z alone.
    """

    ratio: float
    height_db: float
    gap_db: float
    vane_db: float


def turn_beats(bands: FloatArray, loud: FloatArray, off_stated: FloatArray | None = None) -> TurnBeats | None:
    """Find the ratio at which the envelopes of noise beat furthest, None where they are too short.

    Parameters
    ----------
    bands:
        Relative envelopes over crank angle, shape (r, b), ``BEAT_SAMPLES_PER_REV`` a turn.
    loud:
        How far each instant belongs to the loud stretches, 0 to 1, shape (r,).
    off_stated:
        How far each of ``RATIOS`` is not what is stated of the pump, 0 to 1, None for 0 everywhere; such
        beats count ``OFF_STATED_DB`` less.

    >>> rev = np.arange(100 * BEAT_SAMPLES_PER_REV) / BEAT_SAMPLES_PER_REV
    >>> noise = np.random.default_rng(1).standard_normal((len(rev), 2))
    >>> beating = 0.2 * np.sin(2 * np.pi * 2.46 * rev)[:, None] + noise
    >>> found = turn_beats(beating, np.ones(len(rev)))
    >>> round(found.ratio, 2), found.gap_db > 3.0
    (1.23, True)
    """
    if len(bands) < FEWEST_REV * BEAT_SAMPLES_PER_REV or bands.shape[1] == 0:
        return None
    turns, vane, count = np.zeros(len(RATIOS)), np.zeros(len(RATIOS)), 0
    level = (bands - bands.mean(axis=0)).astype(np.float32)
    lengths = {min(int(length_rev * BEAT_SAMPLES_PER_REV), len(bands)) for length_rev in LENGTHS_REV}
    for weight in (np.ones(len(bands)), EVEN_SHARE + (1.0 - EVEN_SHARE) * loud):
        weighed = level * weight[:, None].astype(np.float32)
        for length in sorted(lengths):
            step, height_db = _heights_db(weighed, length)
            of_vanes = np.max([_near(height_db, vanes, step) for vanes in VANES], axis=0)
            turns += (TURN * _at(height_db, RATIOS, step) + TWICE * _at(height_db, 2.0 * RATIOS, step)).sum(
                axis=1
            )
            vane += of_vanes.sum(axis=1)
            count += bands.shape[1]
    score = (turns + VANE * vane) / count
    counted = score if off_stated is None else score - OFF_STATED_DB * off_stated
    best = int(np.argmax(counted))
    ahead = score[best] - score[np.abs(RATIOS - RATIOS[best]) > APART].max()
    return TurnBeats(
        float(RATIOS[best]), float(counted[best]), max(float(ahead), 0.0), float(vane[best] / count)
    )


def _at(height_db: FloatArray, orders: FloatArray, step: float) -> FloatArray:
    """Heights at the orders, shape (orders, bands)."""
    return np.asarray(height_db[np.minimum(np.round(orders / step).astype(int), len(height_db) - 1)])


def _near(height_db: FloatArray, vanes: int, step: float) -> FloatArray:
    """Highest values near so many beats a turn of each ratio, shape (ratios, bands).

    In a long clip their lines are thinner than such beats of neighbouring ratios lie apart.
    """
    reach = int(0.5 * vanes * RATIO_STEP / step)
    return _at(
        maximum_filter1d(height_db, 2 * reach + 1, axis=0) if reach else height_db, vanes * RATIOS, step
    )


def _heights_db(values: FloatArray, length: int) -> tuple[float, FloatArray]:
    """Spacing of the orders and height of each line over its surroundings, dB, shape (orders, bands)."""
    starts = range(0, len(values) - length + 1, max(length // 2, 1))
    size = scipy.fft.next_fast_len(PADDED * length, real=True)
    order = np.arange(size // 2 + 1) * BEAT_SAMPLES_PER_REV / size
    kept = order < HIGHEST_ORDER
    order, step = order[kept], float(order[1])
    window = np.hanning(length + 2)[1:-1].astype(np.float32)[:, None]
    power = np.zeros((len(order), values.shape[1]))
    for start in starts:
        block = values[start : start + length]
        lines = scipy.fft.rfft((block - block.mean(axis=0)) * window, size, axis=0)[kept]
        power += lines.real**2 + lines.imag**2
    width = BEAT_SAMPLES_PER_REV / length
    free = half_order_distance(order) > 1.6 * width + 0.002 * np.minimum(order, 10.0)
    above = np.where(free[:, None], power / np.maximum(_around(power, order, free, step), TINY), 0.0)
    near = 2 * max(int(0.5 * width / step), 0) + 1
    above = np.where(free[:, None], maximum_filter1d(above, max(near, 3), axis=0), 0.0)
    return step, np.clip(decibels(np.maximum(above, 0.1)), LOWEST_DB, HIGHEST_DB)


def _around(power: FloatArray, order: FloatArray, free: Mask, step: float) -> FloatArray:
    """Mean power that plain noise would have at each line: the median of the free lines around it.

    Lines of a padded spectrum say the same as their neighbours: every ``PADDED``-th is enough.
    """
    at, kept = order[free][::PADDED], power[free][::PADDED]
    wide = max(int(AROUND_ORDERS / step / PADDED) | 1, 5)
    middle = running_median(kept, wide, axis=0, mode="nearest") / np.log(2.0)
    even = uniform_filter1d(middle, wide // 2 | 1, axis=0, mode="nearest")
    return np.column_stack([np.interp(order, at, column) for column in even.T])
