"""How prominent a tone is: tone-to-noise ratio and prominence ratio after ECMA-418-1:2024.

The same content as ECMA-74 Annex D and ISO 7779, on spectra of equal line spacing. Both are ratios, so an
uncalibrated phone can measure them. Spectra hold mean squares per line as a windowed transform gives them,
amplitude-correct; ``noise_lines`` is the noise bandwidth of the window in lines (Hann 1.5).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import UsageError
from audiodiag.orders.critical_band import CriticalBand, critical_band_ecma, proximity_hz
from audiodiag.orders.spectrum import HANN_NOISE_LINES
from audiodiag.records import FloatArray, read_only

__all__ = [
    "ToneRatios",
    "prominence_limit_db",
    "tone_limit_db",
    "tone_ratios",
]


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
