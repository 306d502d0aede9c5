"""Fast envelopes: strikes are short, and only an envelope that is as short shows their overtones.

Nine bands of half an octave from 0.7 kHz on, by windows of 2.5 ms, longer where the rate is below 9.6 kHz.
A strike that rings for some milliseconds has lines at twice, three and four times its order; what swings
smoothly, as the noise of blades does, has few.
"""

from __future__ import annotations

import itertools

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.spectra import TINY, short_time_power

__all__ = ["FAST_HOPS", "fast_envelopes"]

WINDOW_S, FAST_HOPS = 0.0025, 6
"""Length of a window (1.5 and 4 ms tell less of a growl), and hops in it."""
EDGES_HZ = (700.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0, 5600.0, 8000.0, 11000.0, 15000.0)
LEAST_SHARE = 0.9
"""A band counts that begins below this share of the highest frequency recorded."""


def fast_envelopes(samples: FloatArray, rate_hz: int, high_hz: float) -> tuple[FloatArray, float]:
    """Give the power of the bands that begin well below ``high_hz``, shape (n, b), and its rate in Hz.

    Value ``i`` is that of the window whose middle lies some ``i + FAST_HOPS / 2`` steps after the start, to
    0.15 ms.

    >>> noise = np.random.default_rng(1).standard_normal(32000).astype(np.float32)
    >>> power, rate_hz = fast_envelopes(noise, 16000, 8000.0)
    >>> power.shape[1], round(rate_hz)
    (7, 2667)
    """
    window = 2 * max(round(0.5 * WINDOW_S * rate_hz), 12)
    hop = max(window // FAST_HOPS, 1)
    spacing = rate_hz / window
    frequency = np.arange(window // 2 + 1) * spacing
    weights = []
    for low, high in itertools.pairwise(EDGES_HZ):
        if low > LEAST_SHARE * high_hz:
            break
        inside = (frequency >= low) & (frequency < high)
        if not inside.any():
            inside = np.abs(frequency - np.sqrt(low * high)) < spacing / 1.9
        weights.append(inside / inside.sum())
    if not weights:
        return np.zeros((0, 0), np.float32), rate_hz / hop
    matrix = np.array(weights, dtype=np.float32).T
    parts = [part @ matrix for part in short_time_power(samples, window, hop)]
    power = np.concatenate(parts) if parts else np.zeros((0, len(weights)), np.float32)
    return np.maximum(power, np.float32(TINY)), rate_hz / hop
