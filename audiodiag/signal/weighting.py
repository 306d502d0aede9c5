"""The A and C frequency weightings of sound level meters (IEC 61672-1:2013, Annex E)."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.records import FloatArray

__all__ = ["weighting_db"]

# Pole frequencies in Hz, from the defining relations fL = 10^1.5, fH = 10^3.9, fA = 10^2.45, fr = 1000 Hz.
POLE_1, POLE_2, POLE_3, POLE_4 = 20.598997, 107.652649, 737.862231, 12194.217148
A_AT_1000_DB, C_AT_1000_DB = -1.999656, -0.061902


def weighting_db(frequency_hz: ArrayLike, curve: Literal["A", "C"] = "A") -> FloatArray:
    """Give the weighting at any frequency in dB, shape as ``frequency_hz``; -inf at 0 Hz.

    Source: IEC 61672-1:2013, Annex E, equations E.1 (C) and E.6 (A), with unrounded poles.

    >>> weighting_db([100.0, 1000.0]).round(1).tolist()
    [-19.1, 0.0]
    """
    f2 = np.asarray(frequency_hz, dtype=float) ** 2
    with np.errstate(divide="ignore"):
        c = 20.0 * np.log10(POLE_4**2 * f2 / ((f2 + POLE_1**2) * (f2 + POLE_4**2)))
        if curve == "C":
            return c - C_AT_1000_DB
        return c + 10.0 * np.log10(f2 / (f2 + POLE_2**2) * f2 / (f2 + POLE_3**2)) - A_AT_1000_DB
