"""Weights out of a file: numbers that can be counted with, or a refusal."""

from __future__ import annotations

from typing import Any

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["LARGEST", "weights_of"]

LARGEST = 1e6
"""No weight that is learnt comes near it; far larger ones end in no number."""


def weights_of(plain: Any) -> FloatArray:
    """Read numbers, in lists of one length, as an array of their shape.

    ValueError where one of them is no number (NaN, infinity, null, text, true), larger than ``LARGEST``, or
    where lists are of unlike lengths.

    >>> weights_of([[1, 2.5], [0, -3]]).tolist()
    [[1.0, 2.5], [0.0, -3.0]]
    >>> weights_of([1.0, float("nan")])
    Traceback (most recent call last):
    ...
    ValueError: a weight is not a number up to 1e+06
    """
    values = np.asarray(plain)
    # A whole number too large for the machine comes as an object, as null does.
    if values.dtype.kind not in "if" or not np.all(np.abs(values.astype(float)) <= LARGEST):
        raise ValueError(f"a weight is not a number up to {LARGEST:g}")
    return np.asarray(values, float)
