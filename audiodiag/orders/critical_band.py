"""Critical bands: over which width around a tone the ear gathers noise that can mask it.

ECMA-418-1:2024 clause 10 and ISO/PAS 20065:2016 share the width and differ in how they lay it below 500 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.records import FloatArray

__all__ = [
    "CriticalBand",
    "critical_band_ecma",
    "critical_band_iso",
    "critical_bandwidth_hz",
    "proximity_hz",
]


@dataclass(frozen=True, eq=False)
class CriticalBand:
    """Lower and upper edge of critical bands, shape as the frequencies asked for, Hz."""

    low_hz: FloatArray
    high_hz: FloatArray


def critical_bandwidth_hz(frequency_hz: ArrayLike) -> FloatArray:
    """Give the width of the critical band, Hz, shape as ``frequency_hz``.

    Source: ECMA-418-1:2024 clause 10: ``25 + 75 (1 + 1.4 (f/1000)²)^0.69``.

    >>> critical_bandwidth_hz([500.0, 1000.0]).round(1).tolist()
    [117.3, 162.2]
    """
    return 25.0 + 75.0 * (1.0 + 1.4 * (np.asarray(frequency_hz, dtype=float) / 1000.0) ** 2) ** 0.69


def critical_band_iso(frequency_hz: ArrayLike) -> CriticalBand:
    """Give the edges of the critical band with the tone at their geometric mean (ISO/PAS 20065).

    >>> band = critical_band_iso(1000.0)
    >>> round(float(band.low_hz), 1), round(float(band.high_hz), 1)
    (922.2, 1084.4)
    """
    f = np.asarray(frequency_hz, dtype=float)
    width = critical_bandwidth_hz(f)
    low = 0.5 * (np.sqrt(width**2 + 4.0 * f**2) - width)
    return CriticalBand(low, low + width)


def critical_band_ecma(frequency_hz: ArrayLike) -> CriticalBand:
    """Give the edges of the critical band (ECMA-418-1): arithmetic up to 500 Hz, geometric above.

    >>> float(critical_band_ecma(250.0).low_hz.round(2))
    197.77
    """
    f = np.asarray(frequency_hz, dtype=float)
    above = critical_band_iso(f)
    half = critical_bandwidth_hz(f) / 2.0
    return CriticalBand(
        np.where(f <= 500, f - half, above.low_hz), np.where(f <= 500, f + half, above.high_hz)
    )


def proximity_hz(frequency_hz: ArrayLike) -> FloatArray:
    """Give the distance below which two tones are heard as one, below 1000 Hz (ECMA-418-1 clause 11.6).

    ``21 · 10^(1.2 |lg(f / 212)|^1.8)`` Hz.

    >>> proximity_hz([150.0, 850.0]).round(1).tolist()
    [23.0, 63.8]
    """
    return 21.0 * 10.0 ** (1.2 * np.abs(np.log10(np.asarray(frequency_hz, dtype=float) / 212.0)) ** 1.8)
