"""How far a tone stands above what surrounds it: tone-to-noise ratio, prominence ratio, audibility.

Three published measures, on any spectrum of equal line spacing:

- tone-to-noise ratio and prominence ratio after ECMA-418-1:2024 (the same content as ECMA-74 Annex D and ISO
  7779), on powers;
- audibility after ISO/PAS 20065:2016 (DIN 45681:2005), on narrow-band levels.

All are ratios, so an uncalibrated phone can measure them. Spectra hold mean squares (or levels) per line as
a windowed transform gives them, amplitude-correct; ``noise_lines`` is the noise bandwidth of the window in
lines (Hann 1.5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import UsageError
from audiodiag.records import FloatArray, read_only

__all__ = [
    "Audibility",
    "CriticalBand",
    "ToneRatios",
    "audibility",
    "audibility_from_levels",
    "audible_tones",
    "critical_band_ecma",
    "critical_band_iso",
    "critical_bandwidth_hz",
    "masking_index_db",
    "mean_audibility_db",
    "prominence_limit_db",
    "proximity_hz",
    "tonal_audibility_2007_db",
    "tone_limit_db",
    "tone_ratios",
]

HANN_NOISE_LINES = 1.5


@dataclass(frozen=True, eq=False)
class CriticalBand:
    """Lower and upper edge of critical bands, shape as the frequencies asked for, Hz."""

    low_hz: FloatArray
    high_hz: FloatArray


@dataclass(frozen=True, eq=False)
class ToneRatios:
    """Tone-to-noise ratio and prominence ratio of tones.

    All shapes as the tones asked for (with the leading axes of the power in front). dB; the limits are
    those above which ECMA-418-1 calls a tone prominent. ``tone_power``, ``noise_power``: mean squares of the
    tone and of the noise in its critical band.
    """

    frequency_hz: FloatArray
    tone_power: FloatArray
    noise_power: FloatArray
    tone_to_noise_db: FloatArray
    prominence_db: FloatArray
    tone_to_noise_limit_db: FloatArray
    prominence_limit_db: FloatArray


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


def critical_bandwidth_hz(frequency_hz: ArrayLike) -> FloatArray:
    """Give the width of the critical band, Hz, shape as ``frequency_hz``.

    Source: ECMA-418-1:2024 clause 10: ``25 + 75 (1 + 1.4 (f/1000)²)^0.69``.

    >>> critical_bandwidth_hz([500.0, 1000.0]).round(1).tolist()
    [117.3, 162.2]
    """
    return 25.0 + 75.0 * (1.0 + 1.4 * (np.asarray(frequency_hz, dtype=float) / 1000.0) ** 2) ** 0.69


def critical_band_iso(frequency_hz: ArrayLike) -> CriticalBand:
    """Give the edges of the critical band with the tone at their geometric mean (ISO/PAS 20065).

    >>> band = critical_band_iso(1000.0)
    >>> round(float(band.low_hz), 1), round(float(band.high_hz), 1)
    (922.2, 1084.4)
    """
    f = np.asarray(frequency_hz, dtype=float)
    width = critical_bandwidth_hz(f)
    low = 0.5 * (np.sqrt(width**2 + 4.0 * f**2) - width)
    return CriticalBand(low, low + width)


def critical_band_ecma(frequency_hz: ArrayLike) -> CriticalBand:
    """Give the edges of the critical band (ECMA-418-1): arithmetic up to 500 Hz, geometric above.

    >>> float(critical_band_ecma(250.0).low_hz.round(2))
    197.77
    """
    f = np.asarray(frequency_hz, dtype=float)
    above = critical_band_iso(f)
    half = critical_bandwidth_hz(f) / 2.0
    return CriticalBand(
        np.where(f <= 500, f - half, above.low_hz), np.where(f <= 500, f + half, above.high_hz)
    )


def proximity_hz(frequency_hz: ArrayLike) -> FloatArray:
    """Give the distance below which two tones are heard as one, below 1000 Hz (ECMA-418-1 clause 11.6).

    ``21 · 10^(1.2 |lg(f / 212)|^1.8)`` Hz.

    >>> proximity_hz([150.0, 850.0]).round(1).tolist()
    [23.0, 63.8]
    """
    return 21.0 * 10.0 ** (1.2 * np.abs(np.log10(np.asarray(frequency_hz, dtype=float) / 212.0)) ** 1.8)


def tone_limit_db(frequency_hz: ArrayLike) -> FloatArray:
    """Give the tone-to-noise ratio from which a tone is prominent (ECMA-418-1; 89.1 Hz to 11.2 kHz), dB.

    >>> tone_limit_db([100.0, 2000.0]).round(2).tolist()
    [16.33, 8.0]
    """
    return 8.0 + 8.33 * np.log10(np.maximum(1000.0 / np.asarray(frequency_hz, dtype=float), 1.0))


def prominence_limit_db(frequency_hz: ArrayLike) -> FloatArray:
    """Give the prominence ratio from which a tone is prominent (ECMA-418-1; 89.1 Hz to 11.2 kHz), dB.

    >>> prominence_limit_db([100.0, 2000.0]).round(2).tolist()
    [19.0, 9.0]
    """
    return 9.0 + 10.0 * np.log10(np.maximum(1000.0 / np.asarray(frequency_hz, dtype=float), 1.0))


def tone_ratios(
    power: ArrayLike,
    spacing_hz: ArrayLike,
    tones_hz: ArrayLike,
    *,
    tone_half_width_lines: float = 3.5,
    noise_lines: float = HANN_NOISE_LINES,
) -> ToneRatios:
    """Give the tone-to-noise and prominence ratios of tones in a spectrum, or in many at once.

    Parameters
    ----------
    power:
        Mean square per line, shape (n,) or (m, n); the first line is 0 Hz.
    spacing_hz:
        Distance of two lines in Hz, a number or shape (m,): an order spectrum at m speeds has m spacings.
    tones_hz:
        Shape (k,) or (m, k). Tones in the same critical band, and nearer than :func:`proximity_hz` where
        below 1000 Hz, are rated together; others in the band are left out of the noise.
    tone_half_width_lines:
        Lines on either side of the tone that carry its power (3.5 for Hann).

    Returns
    -------
    ToneRatios of shape (k,) or (m, k).

    Raises
    ------
    UsageError
        If a tone lies outside the spectrum.

    Source: ECMA-418-1:2024 clauses 10 to 12. The noise under the tone is taken off the tone.

    >>> import numpy as np
    >>> spectrum = np.full(4001, 1e-6)
    >>> spectrum[1000] = 0.1
    >>> found = tone_ratios(spectrum, 1.0, [1000.0], noise_lines=1.0, tone_half_width_lines=0.5)
    >>> round(float(found.tone_to_noise_db[0]), 1)  # 10 lg(0.1 / (162.2e-6))
    27.9
    """
    lines = np.asarray(power, dtype=float) / noise_lines
    tones = np.asarray(tones_hz, dtype=float)
    one = lines.ndim == 1
    rows = np.atleast_2d(lines)
    step = np.broadcast_to(np.asarray(spacing_hz, dtype=float), rows.shape[:1])[:, np.newaxis]
    tones = np.broadcast_to(tones, (len(rows), tones.shape[-1]))
    if (tones <= 0).any() or (tones > step * (rows.shape[1] - 1)).any():
        raise UsageError(
            "a tone lies outside the spectrum",
            got=f"{float(tones.min()):g} to {float(tones.max()):g} Hz",
            allowed=f"above 0 Hz, up to {float(step.min()) * (rows.shape[1] - 1):g} Hz",
            todo="ask for tones inside the spectrum",
        )
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)

    def inside(low: FloatArray, high: FloatArray) -> FloatArray:
        return _running(total, high / step + 0.5) - _running(total, low / step + 0.5)

    half = tone_half_width_lines * step
    raw = inside(tones - half, tones + half)
    band = critical_band_ecma(tones)
    width = band.high_hz - band.low_hz
    # Which tones share the band of which, and which of those are heard as one with it: shape (m, k, k).
    gap = np.abs(tones[:, :, np.newaxis] - tones[:, np.newaxis, :])
    other = tones[:, np.newaxis, :]
    shares = (other > band.low_hz[..., np.newaxis]) & (other < band.high_hz[..., np.newaxis])
    joined = shares & ((gap < proximity_hz(tones)[..., np.newaxis]) | (tones >= 1000.0)[..., np.newaxis])
    taken = _share(tones, half, band)
    tone_lines = (shares * raw[:, np.newaxis, :]).sum(axis=-1)
    free_width = np.maximum(width - taken, step)
    density = np.maximum(inside(band.low_hz, band.high_hz) - tone_lines, 1e-30) / free_width
    clean = np.maximum(raw - 2.0 * half * density, 1e-30)
    tone_power = (joined * clean[:, np.newaxis, :]).sum(axis=-1)
    noise_power = density * width
    low_edge, high_edge = _neighbours(tones)
    low_width = band.low_hz - low_edge
    low_scale = np.where(tones <= 171.4, 100.0 / np.maximum(low_width, 1e-9), 1.0)
    around = 0.5 * (inside(low_edge, band.low_hz) * low_scale + inside(band.high_hz, high_edge))
    prominence = 10.0 * np.log10(
        np.maximum(inside(band.low_hz, band.high_hz), 1e-30) / np.maximum(around, 1e-30)
    )

    def shaped(values: FloatArray) -> FloatArray:
        return read_only(values[0] if one else values)

    return ToneRatios(
        frequency_hz=shaped(tones),
        tone_power=shaped(tone_power),
        noise_power=shaped(noise_power),
        tone_to_noise_db=shaped(10.0 * np.log10(tone_power / noise_power)),
        prominence_db=shaped(prominence),
        tone_to_noise_limit_db=shaped(tone_limit_db(tones)),
        prominence_limit_db=shaped(prominence_limit_db(tones)),
    )


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


def _running(total: FloatArray, position: FloatArray) -> FloatArray:
    """Value of the running sum ``total`` (m, n + 1) at fractional line edges ``position`` (m, k)."""
    clipped = np.clip(position, 0.0, total.shape[1] - 1)
    index = np.minimum(clipped.astype(int), total.shape[1] - 2)
    below = np.take_along_axis(total, index, axis=1)
    above = np.take_along_axis(total, index + 1, axis=1)
    return below + (clipped - index) * (above - below)


def _share(tones: FloatArray, half: FloatArray, band: CriticalBand) -> FloatArray:
    """Width of each critical band that tones (its own and others) take, overlaps counted once, (m, k)."""
    order = np.argsort(tones, axis=1)
    low = np.take_along_axis(tones - half, order, axis=1)
    high = np.take_along_axis(tones + half, order, axis=1)
    low[:, 1:] = np.maximum(low[:, 1:], high[:, :-1])
    middle = np.take_along_axis(tones, order, axis=1)[:, np.newaxis, :]
    within = (middle > band.low_hz[..., np.newaxis]) & (middle < band.high_hz[..., np.newaxis])
    width: NDArray[np.float64] = (within * np.maximum(high - low, 0.0)[:, np.newaxis, :]).sum(axis=-1)
    return width


def _neighbours(tones: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower edge of the lower and upper edge of the upper neighbour band (ECMA-418-1 clause 12)."""
    f = tones
    low = np.where(f <= 1600, -149.5 + 1.001 * f - 6.90e-5 * f**2, 6.8 + 0.806 * f - 8.20e-6 * f**2)
    high = np.where(f <= 1600, 149.5 + 1.035 * f + 7.70e-5 * f**2, 3.3 + 1.215 * f + 2.16e-5 * f**2)
    return np.where(f <= 171.4, 20.0, low), high
