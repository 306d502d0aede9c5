"""Narrow high bands: a chirp is a narrow sound, and stands out of them further than out of wide ones.

Bands of an eighth of an octave from 1.8 kHz on, by windows of 16 ms, short enough for bursts of 20 ms and
long enough that a tone of a few per cent fills little more than its band.
"""

from __future__ import annotations

import itertools

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import (
    BEAT_SAMPLES_PER_REV,
    AngleView,
    known_blocks,
    order_blocks,
    relative_envelopes,
)
from audiodiag.symptoms.spectra import TINY, lines_above_floor, short_time_power

__all__ = ["narrow_beats_db", "narrow_envelopes"]

WINDOW_S, HOPS = 0.016, 6
LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 1800.0, 13500.0, 8
HIGHEST_BEAT = 12.0
"""Order up to which the envelopes' beats are looked at."""


def narrow_envelopes(
    samples: FloatArray, rate_hz: int, high_hz: float
) -> tuple[FloatArray, FloatArray, float]:
    """Give centres of the narrow bands up to ``high_hz``, shape (b,), their power (n, b), and its rate in Hz.

    >>> noise = np.random.default_rng(1).standard_normal(32000).astype(np.float32)
    >>> hz, power, rate_hz = narrow_envelopes(noise, 16000, 8000.0)
    >>> len(hz) == power.shape[1], bool(hz[-1] < 8000.0), round(rate_hz)
    (True, True, 381)
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
        return np.zeros(0), np.zeros((0, 0), np.float32), rate_hz / hop
    matrix = np.array(weights, dtype=np.float32).T
    parts = [part @ matrix for part in short_time_power(samples, window, hop)]
    power = np.concatenate(parts) if parts else np.zeros((0, len(centres)), np.float32)
    return np.array(centres), np.maximum(power, np.float32(TINY)), rate_hz / hop


def narrow_beats_db(
    angle: AngleView, power: FloatArray, rate_hz: float, rpm: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Give the orders, shape (q,), and how far each line of the envelopes stands out there, dB, (q, bands).

    power, rate_hz: as ``narrow_envelopes`` gives them. rpm: the speed every 0.05 s, NaN where unknown. None
    where no block of the clip has a speed.
    """
    count = int(angle.revolutions * BEAT_SAMPLES_PER_REV) - 1
    time_s = angle.crank.time_at(np.arange(count) / BEAT_SAMPLES_PER_REV)
    beat = relative_envelopes(power, rate_hz, time_s, first=0.5 * HOPS)
    blocks, times, order = order_blocks(
        beat, BEAT_SAMPLES_PER_REV, angle.block_rev, 0.5, angle.crank, HIGHEST_BEAT
    )
    good = known_blocks(times, np.isfinite(rpm), angle.block_rev, angle.crank)
    if not good.any():
        return None
    averages = max(1.0, 0.55 * float(good.sum()) + 0.45)
    step = float(order[1] - order[0])
    return order, lines_above_floor(blocks[good].mean(axis=0), int(0.8 / step), averages)
