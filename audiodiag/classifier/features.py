"""From measurements to numbers that a linear model can add up: centred, scaled, clipped, kinked.

A measure is centred on its median and divided by the spread of its middle half or of its middle nine tenths,
whichever is wider, so that a wild value moves nothing, and clipped. The middle half alone is next to nothing
where a measure is nought in most clips, such as the lines beside a beat, and all that it says would be
clipped away. A missing value becomes the middle and sets an indicator of its own. Kinks let a linear
model say that only the excess above (or below) the usual counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, read_only

__all__ = ["CLIP_AT", "KINKS", "Design", "IntArray", "Mask", "Scaling", "design", "learn_scaling", "scaled"]

IntArray = NDArray[np.integer[Any]]
Mask = NDArray[np.bool_]

CLIP_AT = 4.0
"""Scaled values are held within plus and minus this."""

KINKS = (-1.0, 0.5, 1.5)
"""Scaled values beyond which a kinked term starts; a negative one counts what lies below it."""

NORMAL_QUARTILES, NORMAL_NINETY = 1.3489795, 3.2897073
"""Width of the middle half and of the middle nine tenths of a normal distribution in standard deviations."""


@dataclass(frozen=True, eq=False)
class Scaling:
    """Centre and width of each measure, shape (m,); the width is never zero.

    ``missing_told`` (m,): 1 where the measure was missing often enough in training for its absence to count.
    """

    centre: FloatArray
    width: FloatArray
    missing_told: FloatArray


@dataclass(frozen=True, eq=False)
class Design:
    """What a linear model adds up: ``columns`` (n, p), and for each column the measure it came from, (p,)."""

    columns: FloatArray
    measure: IntArray


def learn_scaling(values: FloatArray) -> Scaling:
    """Learn centre and width of each column of ``values`` (n, m), NaN where missing.

    >>> scaling = learn_scaling(np.array([[1.0], [2.0], [3.0], [4.0], [5.0], [np.nan]]))
    >>> float(scaling.centre[0]), round(float(scaling.width[0]), 3)
    (3.0, 1.483)
    """
    filled = np.asarray(values, dtype=float)
    centre = np.zeros(filled.shape[1])
    width = np.ones(filled.shape[1])
    for column in range(filled.shape[1]):
        known = filled[:, column][np.isfinite(filled[:, column])]
        if not len(known):
            continue
        least, low, centre[column], high, most = np.percentile(known, [5.0, 25.0, 50.0, 75.0, 95.0])
        middle, spread = max((high - low) / NORMAL_QUARTILES, (most - least) / NORMAL_NINETY), known.std()
        # A count that is nought in nineteen of twenty has no middle: fall back on its standard deviation.
        width[column] = middle if middle > 0.05 * spread else spread
        if not width[column] > 1e-12 * max(1.0, abs(centre[column])):
            width[column] = 1.0
    share = np.isnan(filled).mean(axis=0) if len(filled) else np.zeros(filled.shape[1])
    told = ((share >= 0.02) & (share <= 0.98)).astype(float)
    return Scaling(read_only(centre), read_only(width), read_only(told))


def scaled(values: FloatArray, scaling: Scaling, *, clip_at: float = CLIP_AT) -> FloatArray:
    """Centre, scale and clip ``values`` (n, m); missing becomes 0.

    >>> scaling = Scaling(np.array([10.0]), np.array([2.0]), np.array([0.0]))
    >>> scaled(np.array([[14.0], [np.nan], [999.0]]), scaling).ravel().tolist()
    [2.0, 0.0, 4.0]
    """
    z = (np.asarray(values, dtype=float) - scaling.centre) / scaling.width
    return np.nan_to_num(np.clip(z, -clip_at, clip_at), nan=0.0)


def design(values: FloatArray, scaling: Scaling, *, kinks: tuple[float, ...] = ()) -> Design:
    """Lay out scaled values, missing indicators and kinked terms as columns.

    >>> scaling = Scaling(np.array([0.0]), np.array([1.0]), np.array([1.0]))
    >>> design(np.array([[2.0], [np.nan]]), scaling, kinks=(0.5,)).columns.tolist()
    [[2.0, 0.0, 1.5], [0.0, 1.0, 0.0]]
    """
    z = scaled(values, scaling)
    told = np.flatnonzero(scaling.missing_told)
    parts = [z, np.isnan(np.asarray(values, dtype=float))[:, told].astype(float)]
    parts += [np.maximum(0.0, z - kink) if kink > 0 else np.maximum(0.0, kink - z) for kink in kinks]
    each = np.arange(z.shape[1])
    measure = np.concatenate([each, told, *([each] * len(kinks))]).astype(np.int64)
    return Design(np.concatenate(parts, axis=1), measure)
