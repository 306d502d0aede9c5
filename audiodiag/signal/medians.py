"""Running medians along one axis of a table."""

from __future__ import annotations

from typing import Literal

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["running_median"]


def running_median(
    values: FloatArray, width: int, axis: int, mode: Literal["mirror", "nearest", "reflect"] = "nearest"
) -> FloatArray:
    """Median of ``width`` neighbours, an odd number, of every value along one axis; any shape, its own unit.

    mode: what lies beyond the ends, as ``scipy.ndimage`` names it. Every line is filtered for itself: the
    library keeps the window of a single line in order as it moves, ten to thirty times as fast as the same
    window over a table, with the same values.

    >>> running_median(np.array([[1.0, 9.0, 1.0], [2.0, 2.0, 8.0]]), 3, axis=1).tolist()
    [[1.0, 1.0, 1.0], [2.0, 2.0, 8.0]]
    """
    from scipy.ndimage import median_filter

    moved = np.moveaxis(values, axis, -1)
    lines = np.ascontiguousarray(moved).reshape(-1, moved.shape[-1])
    found = [median_filter(line, size=width, mode=mode) for line in lines]
    whole = np.array(found, values.dtype).reshape(moved.shape)
    return np.moveaxis(whole, -1, axis)
