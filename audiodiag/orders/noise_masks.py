"""Which share of what is left without the orders is squeal? And a mask over short frames.

Squeal: lines of long frames (some 43 ms) between 1.5 and 10 kHz that stand above what surrounds them in
frequency and above what is usual at their place. The share is a Wiener gain: the
part's power over the power of all. Source of the gain: Wiener's filter in the form of spectral subtraction by
power (Boll, IEEE Trans. Acoustics, Speech and Signal Processing 27(2), 1979, from memory). The bands and
factors are assumptions of this program.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.orders.short_time import frame_spectra, from_spectra, good_length
from audiodiag.records import FloatArray, read_only
from audiodiag.signal.medians import running_median

__all__ = ["ShortMask", "squeal_mask"]

SQUEAL_HZ = (1200.0, 10500.0)
SQUEAL_FRAME_S = 0.043
SQUEAL_OVER = 6.0
"""A line of a squeal is this many times stronger than its surroundings (power)."""
ROUGH_OVER = 4.0
"""The same for a squeal that is rough, so that its line is broad."""
USUAL_AT_MOST = 16.0
"""What is there most of the time counts as usual only up to this many times its surroundings."""
SQUEAL_FRAMES = 7
LASTING = 0.6


@dataclass(frozen=True, eq=False)
class ShortMask:
    """A mask over short frames: gain, shape (frames, lines), each 0 to 1. Laying it on a sound is linear."""

    gain: FloatArray
    frame: int

    def through(self, samples: FloatArray) -> FloatArray:
        """Give what the mask lets through, shape as ``samples``."""
        spectra = frame_spectra(samples, self.frame)
        return from_spectra(spectra * self.gain, self.frame, len(samples))


def squeal_mask(samples: FloatArray, rate_hz: float) -> ShortMask:
    """Find the mask of tones that come and go or wander between 1.2 and 10.5 kHz.

    samples: shape (n,), the clip without the orders; ``rate_hz``: their rate. Needs no engine speed.

    >>> t = np.arange(32000) / 16000
    >>> tone = np.sin(2 * np.pi * 3000 * t + 40 * np.sin(2 * np.pi * 2 * t)) * (t > 1)
    >>> noise = np.random.default_rng(1).standard_normal(32000) * 0.3
    >>> mask = squeal_mask(tone + noise, 16000)
    >>> round(float(np.std(mask.through(tone)) / np.std(tone)), 1)
    1.0
    """
    frame = good_length(SQUEAL_FRAME_S * rate_hz)
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    power = np.maximum((np.abs(frame_spectra(samples, frame)) ** 2).astype(np.float32), 1e-30)
    inside = (hertz > SQUEAL_HZ[0]) & (hertz < min(SQUEAL_HZ[1], 0.47 * rate_hz))
    clear = _ridges(power, 31, 1, SQUEAL_OVER, inside)
    rough = _ridges(power, 121, 9, ROUGH_OVER, inside)
    gain = np.maximum(clear, rough) * inside
    return ShortMask(read_only(gain.astype(np.float32)), frame)


def _ridges(power: FloatArray, wide: int, smooth: int, over: float, inside: NDArray[np.bool_]) -> FloatArray:
    """Gain of what stands out of ``wide`` lines around, and of what is usual at its place, and lasts.

    ``smooth``: lines over which the power is averaged first, for tones that are rough and therefore broad.
    """
    from scipy.ndimage import (
        maximum_filter,
        percentile_filter,
        uniform_filter,
        uniform_filter1d,
    )

    level = uniform_filter(power, size=(3, smooth)) if smooth > 1 else power
    bias = np.log(2.0) if smooth == 1 else 0.95
    around = running_median(level, wide, axis=1, mode="reflect") / np.float32(bias)
    usual = np.percentile(level, 30.0, axis=0) / (0.357 if smooth == 1 else 0.85)
    usual = np.asarray(percentile_filter(usual, 80, size=5))
    floor = np.maximum(around, np.minimum(usual, USUAL_AT_MOST * around)).astype(np.float32)
    stands = (level > over * floor) & inside
    # A tone lasts: in most of the frames around it, there is a peak near by as well.
    near = maximum_filter(stands, size=(1, 5 if smooth == 1 else smooth)).astype(np.float32)
    lasting = uniform_filter1d(near, 2 * SQUEAL_FRAMES + 1, axis=0) >= LASTING
    mine = maximum_filter(stands & lasting, size=(1, 5))
    return np.where(mine, np.clip(1.0 - floor / np.maximum(level, 1e-30), 0.0, 1.0), 0.0)
