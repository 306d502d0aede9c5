"""Whether a tone is heard through the noise around it: audibility after ISO/PAS 20065:2016 (DIN 45681:2005).

Works on narrow-band levels of equal line spacing, amplitude-correct per line; ``noise_lines`` is the noise
bandwidth of the window in lines (Hann 1.5). All results are ratios or levels re the same reference as the
input, so an uncalibrated phone can measure them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.orders.critical_band import critical_band_iso, critical_bandwidth_hz
from audiodiag.orders.spectrum import HANN_NOISE_LINES
from audiodiag.records import FloatArray

__all__ = [
    "Audibility",
    "audibility",
    "audibility_from_levels",
    "audible_tones",
    "masking_index_db",
    "mean_audibility_db",
    "tonal_audibility_2007_db",
]


@dataclass(frozen=True)
class Audibility:
    """Audibility of one tone after ISO/PAS 20065.

    ``noise_line_db`` LS, ``tone_db`` LT, ``noise_band_db`` LG, ``masking_db`` av, ``audibility_db`` dL =
    LT - LG - av; above 0 dB the tone is heard. ``lines``: first and last line counted to the tone.
    """

    frequency_hz: float
    noise_line_db: float
    tone_db: float
    noise_band_db: float
    masking_db: float
    audibility_db: float
    lines: tuple[int, int]


def masking_index_db(frequency_hz: ArrayLike) -> FloatArray:
    """Give the masking index av = -2 - lg(1 + (f / 502)^2.5) dB (ISO/PAS 20065).

    >>> float(masking_index_db(137.3).round(2))
    -2.02
    """
    return -2.0 - np.log10(1.0 + (np.asarray(frequency_hz, dtype=float) / 502.0) ** 2.5)


def audibility_from_levels(
    frequency_hz: ArrayLike, tone_db: ArrayLike, noise_line_db: ArrayLike, spacing_hz: float
) -> FloatArray:
    """Give dL = LT - LG - av from the tone level LT and the mean narrow-band level LS, dB (ISO/PAS 20065).

    LG = LS + 10 lg(critical bandwidth / line spacing). Shapes are broadcast.

    >>> float(audibility_from_levels(137.3, 67.96, 49.22, 2.7).round(1))
    5.0
    """
    f = np.asarray(frequency_hz, dtype=float)
    noise_band = np.asarray(noise_line_db) + 10.0 * np.log10(critical_bandwidth_hz(f) / spacing_hz)
    return np.asarray(tone_db) - noise_band - masking_index_db(f)


def audibility(
    frequency_hz: ArrayLike, level_db: ArrayLike, line: int, *, noise_lines: float = HANN_NOISE_LINES
) -> Audibility:
    """Give the audibility of the tone whose peak is one line of a narrow-band spectrum.

    Parameters
    ----------
    frequency_hz, level_db:
        Shape (n,), equally spaced Hz and levels per line (any reference; A-weighted in the standard).
    line:
        Index of the line under test.

    Source: ISO/PAS 20065:2016 clauses 5.3.2 to 5.3.5. The critical band is cut where the spectrum ends.

    >>> import numpy as np
    >>> level = np.full(400, 40.0)
    >>> level[100] = 70.0
    >>> found = audibility(np.arange(400) * 2.0, level, 100)
    >>> round(found.noise_line_db, 2), round(found.tone_db, 2)
    (38.24, 70.0)
    """
    f = np.asarray(frequency_hz, dtype=float)
    level = np.asarray(level_db, dtype=float)
    spacing = (f[-1] - f[0]) / (len(f) - 1)
    band = critical_band_iso(f[line])
    first = int(np.searchsorted(f, band.low_hz))
    last = int(np.searchsorted(f, band.high_hz, side="right"))
    power = 10.0 ** (level[first:last] / 10.0)
    window_db = 10.0 * math.log10(noise_lines)
    noise_db = _mean_narrow_band_db(power, line - first, window_db)
    threshold = max(noise_db + 6.0, level[line] - 10.0)
    loud = level > threshold
    low = high = line
    while low > 0 and loud[low - 1]:
        low -= 1
    while high < len(f) - 1 and loud[high + 1]:
        high += 1
    tone_db = 10.0 * math.log10(float((10.0 ** (level[low : high + 1] / 10.0)).sum()))
    if high > low:
        tone_db -= window_db
    return Audibility(
        frequency_hz=float(f[line]),
        noise_line_db=noise_db,
        tone_db=tone_db,
        noise_band_db=noise_db + 10.0 * math.log10(float(critical_bandwidth_hz(f[line])) / spacing),
        masking_db=float(masking_index_db(f[line])),
        audibility_db=float(audibility_from_levels(f[line], tone_db, noise_db, float(spacing))),
        lines=(low, high),
    )


def audible_tones(
    frequency_hz: ArrayLike, level_db: ArrayLike, *, noise_lines: float = HANN_NOISE_LINES
) -> tuple[Audibility, ...]:
    """Find the tones of a spectrum whose audibility is above 0 dB, lowest first.

    Every local maximum that stands 6 dB above the noise is tried; of peaks that share lines the highest
    counts. The standard's further test of distinctness (width and steepness of a peak) is not applied.

    Parameters and source as for :func:`audibility`.

    >>> import numpy as np
    >>> level = np.full(400, 40.0)
    >>> level[[100, 200]] = 70.0, 65.0
    >>> [tone.frequency_hz for tone in audible_tones(np.arange(400) * 2.0, level)]
    [200.0, 400.0]
    """
    f = np.asarray(frequency_hz, dtype=float)
    level = np.asarray(level_db, dtype=float)
    before = np.concatenate([[-np.inf], level[:-1]])
    behind = np.concatenate([level[1:], [-np.inf]])
    peaks = np.flatnonzero((level > before) & (level >= behind) & (f > 0))
    taken: set[int] = set()
    found = []
    for peak in peaks[np.argsort(-level[peaks], kind="stable")]:
        if int(peak) in taken:
            continue
        tone = audibility(f, level, int(peak), noise_lines=noise_lines)
        taken.update(range(tone.lines[0], tone.lines[1] + 1))
        if tone.audibility_db > 0 and level[peak] > tone.noise_line_db + 6.0:
            found.append(tone)
    return tuple(sorted(found, key=lambda tone: tone.frequency_hz))


def mean_audibility_db(audibility_db: ArrayLike) -> float:
    """Give the energy mean of the decisive audibilities of several spectra, dB (ISO/PAS 20065).

    A spectrum without a tone (NaN) counts as -10 dB.

    >>> round(mean_audibility_db([9.18, 6.04, 7.46, 2.67, 7.17]), 2)
    6.98
    """
    values = np.nan_to_num(np.asarray(audibility_db, dtype=float), nan=-10.0)
    return float(10.0 * np.log10(np.mean(10.0 ** (values / 10.0))))


def tonal_audibility_2007_db(tone_db: float, noise_band_db: float, frequency_hz: float) -> float:
    """Give the tonal audibility dLta = Lpt - Lpn + 2 + lg(1 + (f / 502)^2.5), dB (ISO 1996-2:2007 Annex C).

    ``noise_band_db``: level of the noise in the whole critical band.

    >>> round(tonal_audibility_2007_db(54.1, 45.2, 430.0), 1)
    11.1
    """
    return tone_db - noise_band_db - float(masking_index_db(frequency_hz))


def _mean_narrow_band_db(power: FloatArray, line: int, window_db: float) -> float:
    """LS: energy mean of the lines around the one under test, loud ones dropped in turn, less the window."""
    keep = np.ones(len(power), dtype=bool)
    keep[line] = False
    noise_db = 10.0 * math.log10(max(float(power[keep].mean()), 1e-300)) - window_db
    for _ in range(100):
        limit = 10.0 ** ((noise_db + 6.0) / 10.0)
        narrower = power <= limit
        narrower[line] = False
        if narrower[:line].sum() < 5 or narrower[line + 1 :].sum() < 5:
            break
        new_db = 10.0 * math.log10(max(float(power[narrower].mean()), 1e-300)) - window_db
        settled = abs(new_db - noise_db) < 0.005
        noise_db = new_db
        if settled:
            break
    return noise_db
