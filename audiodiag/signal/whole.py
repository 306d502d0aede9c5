"""One Fourier transform of a whole clip, from which every band-limited version of it is cut.

The transform of a 30 s clip is the dearest step of all; each band, envelope and lower rate after it costs
only a short inverse transform. The clip is extended at both ends by its own point reflection, so that its
two ends do not ring into each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import ClipError
from audiodiag.records import FloatArray, read_only

__all__ = ["BandSignal", "WholeSpectrum", "whole_spectrum"]

PAD_S = 0.25


@dataclass(frozen=True, eq=False)
class BandSignal:
    """A band-limited version of a clip at a rate of its own.

    values: shape (m,), real or complex, full scale is 1. Sample ``k`` belongs to the time
    ``start_s + k / rate_hz`` of the clip.
    """

    values: NDArray[np.inexact]
    rate_hz: float
    start_s: float

    @property
    def time_s(self) -> FloatArray:
        """Time of every sample in the clip, shape (m,), seconds."""
        return self.start_s + np.arange(len(self.values)) / self.rate_hz


@dataclass(frozen=True, eq=False)
class WholeSpectrum:
    """The Fourier transform of a whole clip with its extension at both ends.

    lines: complex, shape (padded_length // 2 + 1,). ``pad`` samples precede the clip.
    """

    lines: NDArray[np.complexfloating]
    rate_hz: float
    length: int
    padded_length: int
    pad: int

    @property
    def spacing_hz(self) -> float:
        """Distance of two lines in Hz."""
        return self.rate_hz / self.padded_length

    def low_passed(
        self, pass_hz: float, stop_hz: float, rate_hz: float, *, spline_order: int | None = None
    ) -> BandSignal:
        """Give the clip without what lies above ``stop_hz``, at a lower or higher rate, padding included.

        The gain is 1 up to ``pass_hz`` and falls as a raised cosine to 0 at ``stop_hz``. The rate given is
        rounded up to one that makes the transform fast. With ``spline_order`` p the result is not the
        signal but the coefficients of the B-spline of degree p whose spectrum equals that of the signal:
        each line is divided by ``sinc(f / rate)^(p + 1)`` (Unser, IEEE Signal Processing Magazine 16(6),
        1999, "Splines: a perfect fit for signal and image processing": the transform of a B-spline).
        """
        spacing = self.spacing_hz
        size = scipy.fft.next_fast_len(
            max(math.ceil(rate_hz / spacing), 2 * math.ceil(stop_hz / spacing) + 2, 8), real=True
        )
        new_rate = size * spacing
        keep = min(math.ceil(min(stop_hz, self.rate_hz / 2) / spacing) + 1, len(self.lines), size // 2 + 1)
        frequency = np.arange(keep) * spacing
        lines = self.lines[:keep] * _fall(frequency, pass_hz, stop_hz)
        if spline_order is not None:
            lines = lines / np.sinc(frequency / new_rate) ** (spline_order + 1)
        lines = lines.astype(self.lines.dtype, copy=False)
        values = scipy.fft.irfft(lines, size) * (size / self.padded_length)
        return BandSignal(values=values, rate_hz=new_rate, start_s=-self.pad / self.rate_hz)

    def analytic_band(self, low_hz: float, high_hz: float, *, rate_hz: float | None = None) -> BandSignal:
        """Give the analytic signal of one band, shifted down by ``low_hz``, the padding cut off.

        Its modulus is the envelope of the band: a sine of amplitude a inside the band gives a. The rate is
        at least ``rate_hz`` and, so that the *squared* envelope has no aliasing, at least twice the width.
        """
        spacing = self.spacing_hz
        first = max(math.ceil(low_hz / spacing), 1)
        last = min(math.floor(high_hz / spacing), len(self.lines) - 1)
        if last <= first:
            raise ClipError(
                "a band holds no line of the clip's spectrum",
                got=f"{low_hz:g} to {high_hz:g} Hz",
                allowed=f"a band inside 0 to {self.rate_hz / 2:g} Hz, wider than {2 * spacing:.3g} Hz",
                todo="choose a wider or lower band",
            )
        width = last - first + 1
        wanted = max(2 * width, math.ceil((rate_hz or 0.0) / spacing))
        size = scipy.fft.next_fast_len(wanted)
        lines = np.zeros(size, dtype=self.lines.dtype)
        lines[:width] = self.lines[first : last + 1]
        values = scipy.fft.ifft(lines) * np.float32(2.0 * size / self.padded_length)
        new_rate = size * spacing
        begin = math.ceil(self.pad / self.rate_hz * new_rate)
        count = math.floor((self.pad + self.length - 1) / self.rate_hz * new_rate) - begin + 1
        return BandSignal(
            values=values[begin : begin + count],
            rate_hz=new_rate,
            start_s=begin / new_rate - self.pad / self.rate_hz,
        )


def whole_spectrum(samples: ArrayLike, rate_hz: float, *, pad_s: float = PAD_S) -> WholeSpectrum:
    """Transform a whole clip once, for all bands that are cut from it later.

    Parameters
    ----------
    samples:
        Shape (n,), full scale is 1. Worked on as float32 unless it is float64.
    rate_hz:
        Sample rate in Hz.
    pad_s:
        Length of the point reflection put before and behind the clip, seconds.

    Raises
    ------
    ClipError
        If there are fewer than 8 samples.

    >>> import numpy as np
    >>> t = np.arange(8000) / 8000
    >>> whole = whole_spectrum(np.sin(2 * np.pi * 100 * t), 8000)
    >>> band = whole.low_passed(200, 300, 1000)
    >>> round(float(np.sqrt(2 * np.mean(band.values[400:1000] ** 2))), 2), band.rate_hz >= 1000
    (1.0, True)
    """
    x = np.asarray(samples)
    if x.dtype not in (np.float32, np.float64):
        x = x.astype(np.float32)
    if x.ndim != 1 or len(x) < 8:
        raise ClipError(
            "there is too little sound to transform",
            got=f"an array of shape {x.shape}",
            allowed="one channel of at least 8 samples",
            todo="record a longer clip",
        )
    pad = min(round(pad_s * rate_hz), len(x) - 1)
    total = scipy.fft.next_fast_len(len(x) + 2 * pad, real=True)
    behind = min(total - len(x) - pad, len(x) - 1)
    padded = np.zeros(total, dtype=x.dtype)
    padded[pad : pad + len(x)] = x
    padded[:pad] = 2 * x[0] - x[pad:0:-1]
    padded[pad + len(x) : pad + len(x) + behind] = 2 * x[-1] - x[-2 : -behind - 2 : -1]
    fade = pad // 2
    if fade:
        ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)).astype(x.dtype)
        padded[:fade] *= ramp
        end = pad + len(x) + behind
        padded[end - fade : end] *= ramp[::-1]
    lines = scipy.fft.rfft(padded)
    lines = lines.view()
    lines.flags.writeable = False
    return WholeSpectrum(lines=lines, rate_hz=float(rate_hz), length=len(x), padded_length=total, pad=pad)


def _fall(frequency_hz: FloatArray, pass_hz: float, stop_hz: float) -> FloatArray:
    """Raised cosine from 1 at ``pass_hz`` to 0 at ``stop_hz``, shape as the frequencies."""
    share = np.clip((frequency_hz - pass_hz) / max(stop_hz - pass_hz, 1e-9), 0.0, 1.0)
    return read_only(0.5 + 0.5 * np.cos(np.pi * share))
