"""What swells over the calm: of which spectrum is it?

The calm is learnt over the engine's two revolutions and at its speed, in the quietest third of the clip, so
that strokes and ticks belong to it (:func:`audiodiag.orders.swelling.calm_power`). What stands over it is
described by how evenly it fills its bands and where it lies: roaring noise fills them evenly, a chirp fills
few high ones; what is there all the time, as a growl is, lies in the calm and not in the swell.

Frames last 24 ms; bands are a twelfth of an octave wide or, below some 0.7 kHz, one line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.orders.angle import CrankAngle
from audiodiag.orders.swelling import calm_power
from audiodiag.orders.two_sounds import band_edges
from audiodiag.records import FloatArray
from audiodiag.symptoms.spectra import SILENCE, Mask, short_time_power, smooth

__all__ = ["Swell", "find_swell"]

FRAME_S, HOPS = 0.024, 2
LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 80.0, 12000.0, 12
MIDDLE_HZ, UPPER_HZ = (300.0, 4000.0), (1500.0, 11000.0)
"""Where a groan is, and where chirps are."""
LEAST_BANDS, LEAST_FRAMES = 4, 8
SURE_OVER = 1.5
"""Only what is over the calm by this factor swells."""
USUAL_S, MOST_USUAL = 0.25, 100.0


@dataclass(frozen=True)
class Swell:
    """The spectrum of what swells; NaN where the recording has too few bands.

    evenness_middle, evenness_upper: how evenly it fills 0.3 to 4 and 1.5 to 11 kHz, 1 wholly, 0 one band of a
    twelfth of an octave alone. centre_octaves: its centre, octaves over 1 kHz. over_calm_octaves: how far the
    centre of all that is over the calm lies above that of the calm itself, 0.3 to 11 kHz. usual_db: how far a
    quarter of a second usually stands over the calm, 1.5 to 11 kHz, dB, at least -20.
    """

    evenness_middle: float
    evenness_upper: float
    centre_octaves: float
    over_calm_octaves: float
    usual_db: float


def find_swell(samples: FloatArray, rate_hz: int, high_hz: float, crank: CrankAngle) -> Swell | None:
    """Describe what swells over the calm up to ``high_hz``; None where hardly a frame or a band is.

    Silence, digital or with a converter's noise, is no calm and is left out.

    >>> rng = np.random.default_rng(1)
    >>> loud = 1.0 + 4.0 * (np.arange(160000) % 40000 > 30000)
    >>> from audiodiag.orders.angle import crank_angle
    >>> crank = crank_angle(np.array([0.0, 10.0]), np.array([800.0, 800.0]))
    >>> swell = find_swell((loud * rng.standard_normal(160000)).astype(np.float32), 16000, 7500.0, crank)
    >>> swell.evenness_middle > 0.9, 0.5 < swell.centre_octaves < 2.5
    (True, True)
    """
    frame = 2 * int(scipy.fft.next_fast_len(max(round(0.5 * FRAME_S * rate_hz), 8), real=True))
    hop = frame // HOPS
    hertz = np.arange(frame // 2 + 1) * rate_hz / frame
    edges = band_edges(hertz, LOWEST_HZ, min(HIGHEST_HZ, high_hz), PER_OCTAVE)
    if len(edges) <= LEAST_BANDS or len(samples) < LEAST_FRAMES * frame:
        return None
    lines = np.diff(edges).astype(float)
    matrix = np.zeros((len(hertz), len(lines)), np.float32)
    for column, (first, count) in enumerate(zip(edges[:-1], np.diff(edges), strict=True)):
        matrix[first : first + count, column] = 1.0 / count
    bands = np.concatenate([part @ matrix for part in short_time_power(samples, frame, hop)]).astype(float)
    bands = np.maximum(bands, max(1e-12 * float(bands.max()), 1e-30))
    power = bands @ lines
    heard = power > SILENCE * power.mean()
    if heard.sum() < HOPS * LEAST_FRAMES:
        return None
    bands, time_s = bands[heard], ((np.arange(len(bands)) * hop + frame / 2) / rate_hz)[heard]
    calm = calm_power(bands, time_s, crank)
    centre_hz = np.sqrt(hertz[edges[:-1]] * hertz[edges[1:]])
    octaves = np.log2(centre_hz / 1000.0)
    usual = max(round(USUAL_S * rate_hz / hop), 1)

    def within(span_hz: tuple[float, float]) -> Mask | None:
        inside = (centre_hz >= span_hz[0]) & (centre_hz < min(span_hz[1], high_hz))
        return inside if inside.sum() >= LEAST_BANDS else None

    return Swell(
        evenness_middle=_evenness(bands, calm, lines, within(MIDDLE_HZ)),
        evenness_upper=_evenness(bands, calm, lines, within(UPPER_HZ)),
        centre_octaves=_centre(_swelling(bands, calm, lines), octaves),
        over_calm_octaves=_over_calm(bands, calm, lines, octaves, within((MIDDLE_HZ[0], UPPER_HZ[1]))),
        usual_db=_usual_db(bands, calm, lines, within(UPPER_HZ), usual),
    )


def _swelling(bands: FloatArray, calm: FloatArray, lines: FloatArray) -> FloatArray:
    """Power of what swells in each band, shape (bands,): a time counts by how far all are over the calm."""
    over = np.maximum(bands / calm - SURE_OVER, 0.0)
    weight = np.sqrt(lines)
    strength = over @ weight / weight.sum()
    return np.asarray((over * calm * strength[:, np.newaxis]).sum(axis=0) * lines)


def _evenness(bands: FloatArray, calm: FloatArray, lines: FloatArray, inside: Mask | None) -> float:
    """Entropy of the spectrum of what swells over the greatest that it could have; NaN where nothing does."""
    if inside is None:
        return math.nan
    power = _swelling(bands[:, inside], calm[:, inside], lines[inside])
    if not power.sum() > 0.0:
        return math.nan
    share = (power + 1e-30) / (power + 1e-30).sum()
    return float(-(share * np.log(share)).sum() / math.log(len(share)))


def _centre(power: FloatArray, octaves: FloatArray) -> float:
    """Give the centre of a spectrum; NaN of none."""
    total = float(power.sum())
    return float(power @ octaves) / total if total > 0.0 else math.nan


def _over_calm(
    bands: FloatArray, calm: FloatArray, lines: FloatArray, octaves: FloatArray, inside: Mask | None
) -> float:
    """How far the centre of what is over the calm lies above the calm's own, octaves."""
    if inside is None:
        return math.nan
    over = np.maximum(bands[:, inside] - calm[:, inside], 0.0).sum(axis=0) * lines[inside]
    still = calm[:, inside].mean(axis=0) * lines[inside]
    return _centre(over, octaves[inside]) - _centre(still, octaves[inside])


def _usual_db(
    bands: FloatArray, calm: FloatArray, lines: FloatArray, inside: Mask | None, width: int
) -> float:
    """Median over time of how far the bands, smoothed over ``width`` frames, stand over the mean calm."""
    if inside is None:
        return math.nan
    weight = np.sqrt(lines[inside])
    over = np.maximum(smooth(bands[:, inside], width) / calm[:, inside].mean(axis=0) - 1.0, 0.0)
    return float(10.0 * np.log10(min(float(np.median(over @ weight / weight.sum())), MOST_USUAL) + 1e-2))
