"""Narrow bands: chirps and what a bearing rings with are narrow, and stand out further than of wide ones.

Bands of a sixth of an octave from 0.8 kHz on, by windows of 8 ms: short enough for bursts of 20 ms and for
strikes that come some hundred times a second, long enough that a tone of a few per cent fills little more
than its band from 1.5 kHz on.
"""

from __future__ import annotations

import itertools

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.spectra import TINY, short_time_power

__all__ = ["PER_OCTAVE", "narrow_envelopes"]

WINDOW_S, HOPS = 0.008, 8
LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 800.0, 13500.0, 6


def narrow_envelopes(
    samples: FloatArray, rate_hz: int, high_hz: float
) -> tuple[FloatArray, FloatArray, float]:
    """Give centres of the narrow bands up to ``high_hz``, shape (b,), their power (n, b), and its rate in Hz.

    >>> noise = np.random.default_rng(1).standard_normal(32000).astype(np.float32)
    >>> hz, power, rate_hz = narrow_envelopes(noise, 16000, 8000.0)
    >>> len(hz) == power.shape[1], bool(hz[-1] < 8000.0), round(rate_hz)
    (True, True, 1000)
    """
    window = 2 * max(round(0.5 * WINDOW_S * rate_hz), 16)
    hop = max(window // HOPS, 1)
    spacing = rate_hz / window
    frequency = np.arange(window // 2 + 1) * spacing
    octaves = np.log2(HIGHEST_HZ / LOWEST_HZ)
    edges = LOWEST_HZ * 2.0 ** (np.arange(int(octaves * PER_OCTAVE) + 1) / PER_OCTAVE)
    centres, weights = [], []
    for low, high in itertools.pairwise(edges[edges < 1.02 * high_hz]):
        centre = float(np.sqrt(low * high))
        inside = (frequency >= low) & (frequency < high)
        if not inside.any():
            inside = np.abs(frequency - centre) < spacing / 1.9
        centres.append(centre)
        weights.append(inside / inside.sum())
    if not weights:
        return np.zeros(0), np.zeros((1, 0), np.float32), rate_hz / hop
    matrix = np.array(weights, dtype=np.float32).T
    parts = [part @ matrix for part in short_time_power(samples, window, hop)]
    power = np.concatenate(parts) if parts else np.zeros((0, len(centres)), np.float32)
    return np.array(centres), np.maximum(power, np.float32(TINY)), rate_hz / hop
