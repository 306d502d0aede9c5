"""Short transforms that can be weighed and put back together without loss.

Frames of a signal are weighed with a Hann window, transformed, multiplied by a mask and added up again, every
frame weighed once more. At an overlap of three quarters the squares of the windows add up to a constant, so
masks that add up to one give parts that add up to the signal (overlap-add; Allen and Rabiner, Proceedings of
the IEEE 65(11), 1977, 1558-1564, from memory).
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from audiodiag.records import FloatArray

__all__ = ["frame_count", "frame_spectra", "from_spectra", "good_length"]

HOPS = 4
"""Hops in a frame."""


def good_length(wanted: float) -> int:
    """Give a frame length near the one wanted that is fast to transform and a whole number of hops.

    >>> good_length(1000)
    1000
    """
    return HOPS * max(int(scipy.fft.next_fast_len(max(round(wanted / HOPS), 2), real=True)), 2)


def frame_count(length: int, frame: int) -> int:
    """Give how many frames cover a signal of ``length`` samples, its ends included."""
    return -(-length // (frame // HOPS)) + HOPS - 1


def frame_spectra(values: FloatArray, frame: int) -> NDArray[np.complexfloating]:
    """Give the spectra of overlapping frames, shape (frames, frame // 2 + 1).

    values: shape (n,). ``frame``: a multiple of four. Frame ``i`` is centred at sample ``(i - 1) frame / 4``.

    >>> frame_spectra(np.ones(32), 8).shape
    (19, 5)
    """
    hop = frame // HOPS
    count = frame_count(len(values), frame)
    padded = np.zeros((count + HOPS - 1) * hop, dtype=np.asarray(values).dtype)
    padded[frame - hop : frame - hop + len(values)] = values
    frames = np.lib.stride_tricks.sliding_window_view(padded, frame)[::hop]
    return np.asarray(scipy.fft.rfft(frames * _window(frame).astype(padded.dtype), axis=1))


def from_spectra(spectra: NDArray[np.complexfloating], frame: int, length: int) -> FloatArray:
    """Put a signal back together from the spectra of its frames, shape (length,).

    >>> x = np.arange(50.0)
    >>> bool(np.allclose(from_spectra(frame_spectra(x, 16), 16, 50), x))
    True
    """
    hop = frame // HOPS
    frames = scipy.fft.irfft(spectra, frame, axis=1)
    frames *= (_window(frame) / 1.5).astype(frames.dtype)
    total = np.zeros((len(frames) + HOPS - 1, hop), dtype=frames.dtype)
    for part in range(HOPS):
        total[part : part + len(frames)] += frames[:, part * hop : (part + 1) * hop]
    return np.asarray(total.ravel()[frame - hop : frame - hop + length])


def _window(frame: int) -> FloatArray:
    """Periodic Hann window; the squares of its four overlapping copies add up to 1.5."""
    return 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frame) / frame)
