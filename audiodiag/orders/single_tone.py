"""Frequency, amplitude and phase of one tone in noise, as exactly as the noise allows.

The maximum of the periodogram, refined by least squares on the real sine itself, which is the maximum
likelihood estimate in white noise (Kay, Estimation Theory, 1993, example 3.14 and section 7.10). Fitting
cosine and sine instead of reading the periodogram keeps the image at the negative frequency from biasing low
frequencies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike

from audiodiag.errors import UsageError

__all__ = ["ToneEstimate", "estimate_tone", "frequency_bound_hz"]


@dataclass(frozen=True)
class ToneEstimate:
    """One tone ``amplitude · cos(2 pi frequency_hz t + phase_rad)``, t from the first sample.

    ``noise_rms``: what the fit leaves. ``frequency_sd_hz``: standard deviation that this noise, if white,
    gives the frequency at best.
    """

    frequency_hz: float
    amplitude: float
    phase_rad: float
    noise_rms: float
    frequency_sd_hz: float


def frequency_bound_hz(amplitude: float, noise_rms: float, count: int, rate_hz: float) -> float:
    """Give the standard deviation below which no unbiased estimate of a frequency can lie, Hz.

    Cramér-Rao bound of a single real sine in white noise (Kay 1993, example 3.14):
    ``fs sqrt(12 / ((2 pi)² eta N (N² - 1)))`` with ``eta = A² / (2 s²)``.

    >>> round(frequency_bound_hz(1.0, 1.0, 8000, 8000.0), 5)
    0.00872
    """
    ratio = amplitude**2 / (2.0 * max(noise_rms, 1e-300) ** 2)
    return rate_hz * math.sqrt(12.0 / ((2.0 * math.pi) ** 2 * ratio * count * (count**2 - 1.0)))


def estimate_tone(
    samples: ArrayLike, rate_hz: float, *, low_hz: float = 0.0, high_hz: float | None = None
) -> ToneEstimate:
    """Estimate the strongest tone between two frequencies.

    Parameters
    ----------
    samples:
        Real, shape (n,).
    low_hz, high_hz:
        Where the tone is looked for; by default everywhere.

    Raises
    ------
    UsageError
        If the range holds no line of the spectrum or there are fewer than 16 samples.

    >>> import numpy as np
    >>> found = estimate_tone(0.3 * np.cos(2 * np.pi * 25.37 * np.arange(8000) / 8000 + 1.0), 8000)
    >>> round(found.frequency_hz, 6), round(found.amplitude, 6), round(found.phase_rad, 6)
    (25.37, 0.3, 1.0)
    """
    x = np.asarray(samples, dtype=float)
    count = len(x)
    size = scipy.fft.next_fast_len(2 * count, real=True)
    top_hz = rate_hz / 2 if high_hz is None else high_hz
    first = max(math.ceil(low_hz * size / rate_hz), 1)
    last = min(math.floor(top_hz * size / rate_hz), size // 2 - 1)
    if count < 16 or last < first:
        raise UsageError(
            "no tone can be looked for",
            got=f"{count} samples, {low_hz:g} to {top_hz:g} Hz",
            allowed=f"at least 16 samples and a range of at least {rate_hz / max(size, 1):.3g} Hz",
            todo="give a longer stretch or a wider range",
        )
    lines = scipy.fft.rfft(x, size)[first : last + 1]
    frequency = (first + int(np.argmax(lines.real**2 + lines.imag**2))) * rate_hz / size
    middle = (count - 1) / 2.0
    turn = 2.0 * np.pi * (np.arange(count) - middle) / rate_hz
    amplitude, phase, rest = 0.0, 0.0, x
    for _ in range(12):
        cos, sin = np.cos(turn * frequency), np.sin(turn * frequency)
        a, b = _fit(x, cos, sin)
        rest = x - a * cos - b * sin
        # Gauss-Newton on frequency: the slope of the model, with what cos and sin can explain taken off.
        slope = turn * (b * cos - a * sin)
        c, d = _fit(slope, cos, sin)
        slope = slope - c * cos - d * sin
        amplitude, phase = math.hypot(a, b), math.atan2(-b, a)
        step = float(rest @ slope) / max(float(slope @ slope), 1e-300)
        step = min(max(step, -0.5 * rate_hz / count), 0.5 * rate_hz / count)
        frequency += step
        if abs(step) < 1e-10 * rate_hz / count:
            break
    noise = math.sqrt(float(rest @ rest) / max(count - 3, 1))
    start_phase = phase - 2.0 * math.pi * frequency * middle / rate_hz
    return ToneEstimate(
        frequency_hz=frequency,
        amplitude=amplitude,
        phase_rad=math.remainder(start_phase, 2.0 * math.pi),
        noise_rms=noise,
        frequency_sd_hz=frequency_bound_hz(max(amplitude, 1e-300), noise, count, rate_hz),
    )


def _fit(x: np.ndarray, cos: np.ndarray, sin: np.ndarray) -> tuple[float, float]:
    """Least-squares weights of cosine and sine in ``x``."""
    cc, ss, cs = float(cos @ cos), float(sin @ sin), float(cos @ sin)
    xc, xs = float(x @ cos), float(x @ sin)
    det = max(cc * ss - cs * cs, 1e-300)
    return (xc * ss - xs * cs) / det, (xs * cc - xc * cs) / det
