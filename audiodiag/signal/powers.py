"""Power spectra of many short windows, some at a time in one buffer that stays near the processor.

The transforms themselves are quick; what takes time with hundreds of windows at once is fresh memory for
their zeros and their complex lines: two thirds of it all. The values are the same.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from audiodiag.records import FloatArray, read_only

__all__ = ["Windows", "hann", "mean_around", "power_of", "power_spectra", "windows_at"]

AT_ONCE = 1 << 18
"""Samples that are transformed at a time: 1 MB."""


def power_of(lines: NDArray[np.complexfloating[Any, Any]]) -> FloatArray:
    """Give the squared size of complex values, of any shape and the precision that they have.

    The square of ``np.abs`` takes a root with care for numbers that no sound holds, and undoes it: some five
    times as long.

    >>> power_of(np.array([3.0 + 4.0j, -2.0j])).tolist()
    [25.0, 4.0]
    """
    return np.asarray(lines.real**2 + lines.imag**2)


def mean_around(
    power: FloatArray, width: int, *, mode: Literal["nearest", "reflect"] = "nearest"
) -> FloatArray:
    """Mean of ``width`` neighbours along the last axis of what is nowhere below 0, of any shape.

    The library's running sum is left a little below 0 behind a line that is far above all else, as a pure
    tone has; its logarithm would be no number.

    >>> line = np.zeros(60)
    >>> line[20] = 1e16
    >>> bool((mean_around(line + 1e-3, 7) >= 0).all())
    True
    """
    from scipy.ndimage import uniform_filter1d

    return np.maximum(uniform_filter1d(power, width, axis=-1, mode=mode), 0)


def windows_at(samples: FloatArray, starts: NDArray[np.integer[Any]], length: int) -> Windows:
    """Give the windows of a signal that begin at ``starts``, shape (n, length), cut when they are needed.

    samples: shape (m,); every window must lie within it.
    """
    return Windows(np.lib.stride_tricks.sliding_window_view(samples, length), np.asarray(starts))


@lru_cache(maxsize=64)
def hann(length: int) -> FloatArray:
    """Give the symmetric Hann window, shape (length,), float32; kept, since the same few are asked for often.

    >>> hann(5).tolist()
    [0.0, 0.5, 1.0, 0.5, 0.0]
    """
    return read_only(np.hanning(length).astype(np.float32))


class Windows:
    """Rows of a view of a signal, cut out only where a part of them is asked for."""

    def __init__(self, view: FloatArray, starts: NDArray[np.integer[Any]]) -> None:
        self.view, self.starts = view, starts
        self.shape = (len(starts), view.shape[1])

    def __getitem__(self, rows: slice) -> FloatArray:
        return np.asarray(self.view[self.starts[rows]])


def power_spectra(
    windows: FloatArray | Windows, shape: FloatArray, size: int, *, bins: int | None = None
) -> FloatArray:
    """Give the power of windows, each times ``shape`` and with zeros added up to ``size`` samples.

    windows: shape (n, length), or from ``windows_at``. shape: (length,), at most ``size``. bins: only so
    many, from the lowest.
    Returns shape (n, size // 2 + 1) or (n, bins), float32.

    >>> tone = np.cos(2 * np.pi * np.arange(64) / 8).astype(np.float32)
    >>> power_spectra(windows_at(tone, np.array([0, 8]), 16), np.ones(16), 16)[:, 2].tolist()
    [64.0, 64.0]
    """
    count, length = windows.shape
    found = np.empty((count, size // 2 + 1 if bins is None else bins), np.float32)
    rows = max(1, min(count, AT_ONCE // size))
    buffer = np.zeros((rows, size), np.float32)
    for first in range(0, count, rows):
        here = slice(first, min(first + rows, count))
        part = buffer[: here.stop - first]
        np.multiply(windows[here], shape, out=part[:, :length])
        found[here] = power_of(scipy.fft.rfft(part, axis=1)[:, :bins])
    return found
