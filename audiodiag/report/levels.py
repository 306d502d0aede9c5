"""What the pictures show: levels over time and frequency, over time and order, and where each sound lies.

Still pictures and page draw from here, so that they show the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.records import Analysis, Clip, FloatArray, SymptomFinding
from audiodiag.report import wording
from audiodiag.units import order_to_frequency_hz

__all__ = [
    "SOUND_BANDS_HZ",
    "SOUND_FREQUENCIES",
    "SOUND_ORDERS",
    "LevelPicture",
    "band_of",
    "joined_spans",
    "order_levels",
    "order_of",
    "shown_sounds",
    "spectrogram_levels",
]

LOWEST_HZ = 60.0
RANGE_DB = 60.0
ROWS = 200
HIGHEST_ORDER = 24.0

SOUND_BANDS_HZ = {
    "pump_whine": (100.0, 1500.0),
    "cavitation_groan": (100.0, 4000.0),
    "belt_squeal": (1500.0, 9000.0),
    "belt_chirp": (2000.0, 11000.0),
    "relief_hiss": (1500.0, 11000.0),
    "bearing_growl": (1000.0, 6000.0),
}
"""Where each sound commonly lies (an assumption, no published source): the height of its frame."""
SOUND_ORDERS = {"pump_whine": "whine_order"}
"""Measurements that say at which order a sound stands still."""
SOUND_FREQUENCIES = {"belt_squeal": "squeal_frequency_hz", "bearing_growl": "growl_band_hz"}
"""Measurements that say at which frequency a sound lies (Hz)."""


@dataclass(frozen=True, eq=False)
class LevelPicture:
    """Levels over time and a second axis.

    level_db: shape (rows, columns), decibels below the loudest, -60 to 0, NaN where nothing is known; the
    first row is the lowest. ``low`` and ``high``: what the edges stand for, the logarithm (base 10) of the
    frequency in Hz, or the order.
    """

    level_db: FloatArray
    left_s: float
    right_s: float
    low: float
    high: float


def shown_sounds(analysis: Analysis) -> list[SymptomFinding]:
    """Give the sounds worth marking, the surest first; none where nothing is claimed."""
    if analysis.verdict.kind not in ("symptoms", "normal"):
        return []
    ranked = sorted(analysis.symptoms, key=lambda found: -found.probability)
    return [found for found in ranked if found.probability >= wording.MAYBE_FROM]


def order_of(found: SymptomFinding, analysis: Analysis) -> float | None:
    """Give the order at which a sound stands still, None where it has none or none was measured."""
    order = analysis.measurements.get(SOUND_ORDERS.get(found.name, ""), np.nan)
    return order if np.isfinite(order) and order > 0 else None


def band_of(found: SymptomFinding, analysis: Analysis) -> tuple[float, float]:
    """Give the height of a sound's frame (Hz): around what was measured, or where it commonly lies."""
    frequency_hz = analysis.measurements.get(SOUND_FREQUENCIES.get(found.name, ""), np.nan)
    order = order_of(found, analysis)
    if order is not None and analysis.speed.known:
        frequency_hz = order_to_frequency_hz(order, analysis.speed.median_rpm)
    low, high = SOUND_BANDS_HZ[found.name]
    if np.isfinite(frequency_hz) and low / 2 <= frequency_hz <= 2 * high:
        return frequency_hz / 1.25, frequency_hz * 1.25
    return low, high


def joined_spans(found: SymptomFinding, duration_s: float) -> list[tuple[float, float]]:
    """Join spans that stand closer than the eye can part, so that a train of bursts has one frame."""
    joined: list[tuple[float, float]] = []
    for left, right in sorted(found.spans_s):
        if joined and left - joined[-1][1] < 0.03 * duration_s:
            joined[-1] = (joined[-1][0], max(right, joined[-1][1]))
        else:
            joined.append((left, right))
    return joined


def spectrogram_levels(clip: Clip) -> LevelPicture:
    """Levels over time and the logarithm of frequency, the loudest of each cell kept."""
    rate_hz = clip.sample_rate_hz
    block = 2 ** round(np.log2(0.06 * rate_hz))
    samples = np.asarray(clip.samples, dtype=np.float32)
    samples = np.pad(samples, (0, max(0, block - len(samples))))
    hop = max(block // 4, (len(samples) - block) // 900 + 1)
    blocks = np.lib.stride_tricks.sliding_window_view(samples, block)[::hop]
    window = np.hanning(block).astype(np.float32)
    power = np.abs(scipy.fft.rfft(blocks * window, axis=1)) ** 2
    edges_hz = np.geomspace(LOWEST_HZ, min(0.5 * rate_hz, 20000.0), ROWS + 1)
    lines = edges_hz * block / rate_hz
    first = np.floor(lines[:-1]).astype(int)
    last = np.maximum(np.ceil(lines[1:]).astype(int), first + 1)
    level = np.stack([power[:, low:high].max(axis=1) for low, high in zip(first, last, strict=True)])
    return LevelPicture(
        level_db=_below_loudest(level),
        left_s=0.0,
        right_s=(len(blocks) * hop + block / 2) / rate_hz,
        low=float(np.log10(edges_hz[0])),
        high=float(np.log10(edges_hz[-1])),
    )


def order_levels(analysis: Analysis) -> LevelPicture:
    """Give levels over time and order, 0 to 24 events a crank turn; the engine speed must be known."""
    from audiodiag.orders.angle import resample_to_angle
    from audiodiag.orders.spectrum import order_map

    clip, speed = analysis.clip, analysis.speed
    angle = resample_to_angle(
        clip.samples,
        clip.sample_rate_hz,
        speed.time_s,
        speed.rpm,
        samples_per_rev=64,
        max_order=HIGHEST_ORDER,
    )
    found = order_map(angle, resolution=0.125, overlap=0.8)
    even_s = np.linspace(found.time_s[0], found.time_s[-1], 600)
    nearest = np.clip(np.searchsorted(found.time_s, even_s), 0, len(found.time_s) - 1)
    level_db = _below_loudest(found.power[nearest].T)
    known = np.interp(even_s, speed.time_s, np.isfinite(speed.rpm).astype(float)) > 0.5
    level_db[:, ~known] = np.nan
    half = found.spacing / 2
    return LevelPicture(level_db, float(even_s[0]), float(even_s[-1]), -half, float(found.orders[-1]) + half)


def _below_loudest(power: FloatArray) -> FloatArray:
    level_db = 10.0 * np.log10(np.maximum(power, 1e-20))
    return np.asarray(np.clip(level_db - np.percentile(level_db, 99.9), -RANGE_DB, 0.0), dtype=np.float32)
