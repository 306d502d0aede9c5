"""Colours that are even to the eye, safe for the colour-blind and readable in grey.

A path through CIELAB from a dark violet over teal to a light yellow: lightness rises all the way, so order is
kept without hue, and equal steps of a value are equal steps of colour difference.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["PHASE_GREYS", "even_colours", "lab_to_srgb", "srgb_to_lab", "two_sided_colours"]

PHASE_GREYS = {"centre": "0.97", "turning": "0.88", "stop": "0.74"}
"""Backgrounds of the steering phases, told apart by lightness and always written beside."""

_WHITE_XYZ = np.array([0.95047, 1.0, 1.08883])
_XYZ_OF_RGB = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
_RGB_OF_XYZ = np.linalg.inv(_XYZ_OF_RGB)
_KNEE = 6.0 / 29.0


def even_colours(count: int) -> FloatArray:
    """Give ``count`` colours from dark to light in equal steps of colour difference.

    Shape (count, 3): red, green, blue, each 0 to 1 (sRGB). Steps are equal in CIE 1976 colour difference, the
    distance in CIELAB.

    >>> colours = even_colours(9)
    >>> colours.shape, bool(colours.min() >= 0), bool(colours.max() <= 1)
    ((9, 3), True, True)
    """
    along = np.linspace(0.0, 1.0, 2001)
    lightness = 8.0 + 87.0 * along
    hue = np.radians(305.0 - 205.0 * along)
    chroma = 24.0 + 44.0 * np.clip(along - 0.4, 0.0, None) ** 2  # stays inside sRGB on this path
    path = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    walked = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    places = np.linspace(0.0, walked[-1], count)
    even = np.stack([np.interp(places, walked, path[:, axis]) for axis in range(3)], axis=1)
    return np.clip(lab_to_srgb(even), 0.0, 1.0)


def two_sided_colours(count: int) -> FloatArray:
    """Give colours for a difference, shape (count, 3): less runs to dark, more to light, none is grey.

    >>> two_sided_colours(3).round(2)[1].tolist()
    [0.55, 0.55, 0.55]
    """
    scale = even_colours(count)
    grey = np.full((1, 3), 0.55)
    away = np.abs(np.linspace(-1.0, 1.0, count))[:, None] ** 0.7
    return np.asarray(scale * away + grey * (1.0 - away))


def lab_to_srgb(lab: FloatArray) -> FloatArray:
    """Turn CIELAB (D65) into sRGB, shape (..., 3); values outside 0 to 1 cannot be shown.

    Source: CIE 15 (CIELAB) and IEC 61966-2-1 (sRGB).

    >>> lab_to_srgb(np.array([100.0, 0.0, 0.0])).round(3).tolist()
    [1.0, 1.0, 1.0]
    """
    lab = np.asarray(lab, dtype=float)
    middle = (lab[..., 0] + 16.0) / 116.0
    bent = np.stack([middle + lab[..., 1] / 500.0, middle, middle - lab[..., 2] / 200.0], axis=-1)
    xyz = np.where(bent > _KNEE, bent**3, 3.0 * _KNEE**2 * (bent - 4.0 / 29.0)) * _WHITE_XYZ
    linear = xyz @ _RGB_OF_XYZ.T
    root = np.clip(linear, 0.0, None) ** (1.0 / 2.4)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * root - 0.055)


def srgb_to_lab(srgb: FloatArray) -> FloatArray:
    """Turn sRGB (0 to 1) into CIELAB (D65), shape (..., 3). Source: as `lab_to_srgb`.

    >>> srgb_to_lab(np.array([0.0, 0.0, 0.0])).round(3).tolist()
    [0.0, 0.0, 0.0]
    """
    srgb = np.asarray(srgb, dtype=float)
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    share = (linear @ _XYZ_OF_RGB.T) / _WHITE_XYZ
    bent = np.where(share > _KNEE**3, np.cbrt(share), share / (3.0 * _KNEE**2) + 4.0 / 29.0)
    return np.stack(
        [
            116.0 * bent[..., 1] - 16.0,
            500.0 * (bent[..., 0] - bent[..., 1]),
            200.0 * (bent[..., 1] - bent[..., 2]),
        ],
        axis=-1,
    )
