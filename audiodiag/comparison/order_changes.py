"""What has changed at which order: the order maps of both sides on one scale, and the tones that moved.

Both sides are set to equal engine loudness: the median level of the engine's half orders nearby is taken off
each, so that neither gain nor the phone's response nor distance shows. What is left of a tone's change is
claimed only where it is larger than engines change by themselves.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audiodiag.records import FloatArray, read_only
from audiodiag.statistics import student_quantile
from audiodiag.symptoms.angle_view import AngleView
from audiodiag.symptoms.spectra import half_order_distance, smooth

__all__ = ["ChangeMaps", "OrderChange", "change_maps", "order_changes"]

HIGHEST = 24.0
LOWEST = 1.0
COLUMNS = 48
RULER_REACH = 4.0
OWN_SPREAD_DB = 4.0
"""Standard deviation by which one tone of an unchanged engine moves against its neighbours between two phones
and places (an assumption, checked on simulated pairs)."""
CLEAR_DB = 6.0
LEAST_DB = -40.0
MOST = 12


@dataclass(frozen=True)
class OrderChange:
    """How one tone that stands still over the crank has changed.

    order: events a crank turn. change_db: after less before, against the engine's lines within four orders;
    low_db, high_db: 95 % interval for all orders looked at together. of_engine: whether it is a half order,
    which the engine itself makes.
    """

    order: float
    change_db: float
    low_db: float
    high_db: float
    of_engine: bool

    @property
    def changed(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low_db > 0.0 or self.high_db < 0.0

    def mirrored(self) -> OrderChange:
        """Give the same with before and after in each other's place."""
        return replace(self, change_db=-self.change_db, low_db=-self.high_db, high_db=-self.low_db)


@dataclass(frozen=True, eq=False)
class ChangeMaps:
    """Order maps of both sides, dB above the median of the engine's lines, and their difference.

    What the engine's lines around an order differ by between the sides is taken off, half on either side.

    orders: shape (k,). share: shape (n,), 0 to 1, from the calmest to the loudest instants of a side, so that
    both sides have one axis whatever happened when. before_db, after_db, difference_db: shape (k, n);
    difference is after less before.
    """

    orders: FloatArray
    share: FloatArray
    before_db: FloatArray
    after_db: FloatArray

    @property
    def difference_db(self) -> FloatArray:
        """After less before, shape (k, n)."""
        return self.after_db - self.before_db

    def mirrored(self) -> ChangeMaps:
        """Give the same with before and after in each other's place."""
        return replace(self, before_db=self.after_db, after_db=self.before_db)


def order_changes(before: Sequence[AngleView], after: Sequence[AngleView]) -> tuple[OrderChange, ...]:
    """Give the tones that stand clear on either side with their change, the most changed first, at
    most 12."""
    if not before or not after:
        return ()
    sides = [[_averaged(view) for view in side] for side in (before, after)]
    means = [np.mean(side, axis=0) for side in sides]
    scatter = [
        np.std(side, axis=0, ddof=1) / math.sqrt(len(side)) if len(side) > 1 else np.zeros(len(means[0]))
        for side in sides
    ]
    grid = _grid()
    difference = means[1] - means[0]
    ruler = _ruler(grid, difference)
    height = [mean - _floor(mean) for mean in means]
    clear = np.maximum(*height)
    tops = [i for i in _tops(clear) if clear[i] >= CLEAR_DB]
    if not tops:
        return ()
    t = student_quantile(1.0 - 0.025 / len(tops), 20.0)
    found = []
    for i in tops:
        change = float(difference[i] - ruler[i])
        half = t * math.sqrt(OWN_SPREAD_DB**2 + float(scatter[0][i] ** 2 + scatter[1][i] ** 2))
        of_engine = bool(half_order_distance(float(grid[i])) < 0.08)
        found.append(OrderChange(round(float(grid[i]), 2), change, change - half, change + half, of_engine))
    found.sort(key=lambda one: (-abs(one.change_db), one.order))
    return tuple(found[:MOST])


def change_maps(before: Sequence[AngleView], after: Sequence[AngleView]) -> ChangeMaps | None:
    """Give both sides' order maps on one scale; None where a side has no known speed."""
    if not before or not after:
        return None
    one, two = (np.mean([_sorted_map(view) for view in side], axis=0) for side in (before, after))
    share = (np.arange(COLUMNS) + 0.5) / COLUMNS
    grid = _grid()
    # What the engine's lines differ by around each order is the phones' response: half off here, half there.
    half = 0.5 * _ruler(grid, two.mean(axis=1) - one.mean(axis=1))[:, np.newaxis]
    return ChangeMaps(read_only(grid), read_only(share), read_only(one + half), read_only(two - half))


def _grid() -> FloatArray:
    return np.arange(LOWEST, HIGHEST + 0.01, 0.1)


def _averaged(view: AngleView) -> FloatArray:
    """Mean order spectrum on the common grid, dB; each point is the highest line within its tenth."""
    return _on_grid(view.map_order, view.map_power.mean(axis=0))


def _on_grid(order: FloatArray, power: FloatArray) -> FloatArray:
    grid = _grid()
    place = np.round((order - LOWEST) / 0.1).astype(int)
    out = np.full(len(grid), 1e-12)
    inside = (place >= 0) & (place < len(grid))
    np.maximum.at(out, place[inside], power[inside])
    return np.asarray(10.0 * np.log10(np.maximum(out, 1e-12)))


def _ruler(grid: FloatArray, difference: FloatArray) -> FloatArray:
    """Median difference of the engine's half orders within four orders of each, at least five of them."""
    engine = half_order_distance(grid) < 0.03
    out = np.empty(len(grid))
    for i, order in enumerate(grid):
        near = engine & (np.abs(grid - order) <= RULER_REACH) & (np.abs(grid - order) > 0.25)
        out[i] = np.median(difference[near]) if near.sum() >= 3 else np.median(difference[engine])
    return out


def _floor(level_db: FloatArray) -> FloatArray:
    """Median of the surroundings within 1.2 orders."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(level_db, 25, mode="nearest"))


def _tops(values: FloatArray) -> list[int]:
    """Indices that are the highest within a quarter order."""
    return [
        i
        for i in range(1, len(values) - 1)
        if values[i] == values[max(i - 2, 0) : i + 3].max() and values[i] > values[i - 1]
    ]


def _sorted_map(view: AngleView) -> FloatArray:
    """One recording's map, dB above the median of its half orders, columns from calm to loud."""
    grid = _grid()
    level = np.array([_on_grid(view.map_order, row) for row in view.map_power])
    engine = np.median(level[:, half_order_distance(grid) < 0.03])
    loudness = smooth(level.mean(axis=1), 3)
    ranked = level[np.argsort(loudness, kind="stable")] - engine
    edges = np.linspace(0, len(ranked), COLUMNS + 1)
    columns = [
        ranked[int(a) : max(math.ceil(b), int(a) + 1)].mean(axis=0)
        for a, b in itertools.pairwise(edges.tolist())
    ]
    return np.maximum(np.array(columns).T, LEAST_DB)
