"""What beats, hammers or bursts inside a band: envelopes, their order spectra, and the band to listen in.

A part that hits something once per event makes the surroundings ring. The ringing itself says little; how
often it comes back says which part it is. So the band where the sound is most impulsive is found (spectral
kurtosis, Antoni, Mechanical Systems and Signal Processing 20(2), 2006, 282-307; fast kurtogram, Antoni, the
same 21(1), 2007, 108-124), its squared envelope is taken and turned to the order domain.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from audiodiag.errors import ClipError, UsageError
from audiodiag.orders.angle import resample_to_angle
from audiodiag.orders.spectrum import OrderSpectrum, order_spectrum
from audiodiag.records import FloatArray, read_only
from audiodiag.signal.whole import BandSignal, WholeSpectrum, whole_spectrum

__all__ = [
    "BestBand",
    "EnvelopeOrderSpectrum",
    "EnvelopeSpectrum",
    "SpectralKurtosis",
    "band_envelope",
    "best_band",
    "envelope_order_spectrum",
    "kurtosis",
    "spectral_kurtosis",
    "squared_envelope_spectrum",
]


@dataclass(frozen=True, eq=False)
class EnvelopeSpectrum:
    """Amplitude of each line of a squared envelope; shape (n,), Hz and the unit of the squared envelope.

    The first line is the mean. ``spacing_hz``: distance of two lines.
    """

    frequency_hz: FloatArray
    amplitude: FloatArray
    spacing_hz: float


@dataclass(frozen=True, eq=False)
class EnvelopeOrderSpectrum:
    """Power of a squared envelope per order, relative to its squared mean.

    ``spectrum``: lines of the squared envelope divided by its mean. ``band_hz``: the band listened to.
    ``mean_square``: mean of the squared envelope (full scale 1), twice the power of the band.
    """

    spectrum: OrderSpectrum
    band_hz: tuple[float, float]
    mean_square: float

    def line_amplitude(self, orders: ArrayLike, *, half_width_lines: int = 2) -> FloatArray:
        """Give the amplitude of the squared envelope at orders, relative to its mean, shape as ``orders``.

        A band whose amplitude swings as ``1 + m cos`` reads ``2 m / (1 + m² / 2)``.
        """
        return np.sqrt(2.0 * self.spectrum.power_at(orders, half_width_lines=half_width_lines))

    def above_floor_db(
        self, orders: ArrayLike, *, half_width_lines: int = 1, window: float = 1.0
    ) -> FloatArray:
        """Give how far the highest line near each order stands above the median around it, dB, shape (k,).

        The median is taken over ``window`` orders on either side, the lines near the order left out.
        """
        power, spacing = self.spectrum.power, self.spectrum.spacing
        found = []
        for order in np.atleast_1d(np.asarray(orders, dtype=float)):
            line = round(order / spacing)
            if not 0 < line < len(power):
                found.append(math.nan)
                continue
            near = slice(max(line - half_width_lines, 1), line + half_width_lines + 1)
            reach = max(round(window / spacing), half_width_lines + 4)
            left = power[max(line - reach, 1) : max(line - half_width_lines - 1, 1)]
            right = power[line + half_width_lines + 2 : line + reach + 1]
            floor = float(np.median(np.concatenate([left, right])))
            found.append(10.0 * math.log10(max(float(power[near].max()), 1e-30) / max(floor, 1e-30)))
        return np.array(found)


@dataclass(frozen=True, eq=False)
class SpectralKurtosis:
    """Spectral kurtosis per line: 0 for stationary noise, -1 for a steady tone, above 0 for bursts.

    frequency_hz, kurtosis: shape (n,). ``frames``: independent frames K; noise scatters with 2 / sqrt(K).
    """

    frequency_hz: FloatArray
    kurtosis: FloatArray
    frames: int


@dataclass(frozen=True)
class BestBand:
    """The band in which the sound is most impulsive.

    ``kurtosis``: that of its complex envelope, 0 for noise, where it scatters with the standard deviation
    ``noise_scatter`` (2 / sqrt of the independent samples). ``level``: 1 halves the range, 1.6 parts it in 3.
    """

    low_hz: float
    high_hz: float
    kurtosis: float
    noise_scatter: float
    level: float

    @property
    def centre_hz(self) -> float:
        """Middle of the band in Hz."""
        return 0.5 * (self.low_hz + self.high_hz)


def kurtosis(values: ArrayLike) -> float:
    """Give the kurtosis (not the excess) of a signal: sine 1.5, uniform 1.8, Gaussian 3.

    >>> import numpy as np
    >>> round(kurtosis(np.sin(2 * np.pi * np.arange(1000) / 100)), 6)
    1.5
    """
    x = np.asarray(values, dtype=float)
    square = (x - x.mean()) ** 2
    return float(np.mean(square**2) / max(float(np.mean(square)) ** 2, 1e-300))


def band_envelope(
    sound: ArrayLike | WholeSpectrum,
    rate_hz: float,
    band_hz: tuple[float, float],
    *,
    envelope_rate_hz: float | None = None,
) -> BandSignal:
    """Give the envelope of one band over time, at a rate that its width needs.

    Parameters
    ----------
    sound:
        Shape (n,), full scale 1, or its whole spectrum.
    band_hz:
        Lowest and highest frequency.
    envelope_rate_hz:
        Rate of the result at least; by default twice the width, so that its square has no aliasing.

    Returns
    -------
    BandSignal of real values: the amplitude of the band; a sine of amplitude a gives a.

    Raises
    ------
    ClipError
        If the band holds nothing of the spectrum.

    >>> import numpy as np
    >>> t = np.arange(16000) / 8000
    >>> found = band_envelope(0.3 * np.cos(2 * np.pi * 1000 * t), 8000, (800, 1200))
    >>> round(float(np.median(found.values)), 3)
    0.3
    """
    whole = sound if isinstance(sound, WholeSpectrum) else whole_spectrum(sound, rate_hz)
    found = whole.analytic_band(*band_hz, rate_hz=envelope_rate_hz)
    return BandSignal(values=np.abs(found.values), rate_hz=found.rate_hz, start_s=found.start_s)


def squared_envelope_spectrum(envelope: BandSignal) -> EnvelopeSpectrum:
    """Give the amplitude of each line of the squared envelope, without window.

    For an envelope ``1 + m cos`` the lines are ``1 + m² / 2`` at 0 Hz, ``2 m`` at the modulation frequency
    and ``m² / 2`` at twice that.

    >>> import numpy as np
    >>> swing = 1 + 0.6 * np.cos(2 * np.pi * np.arange(1000) / 100)
    >>> found = squared_envelope_spectrum(BandSignal(swing, 1000.0, 0.0))
    >>> found.amplitude[[0, 10, 20]].round(3).tolist()
    [1.18, 1.2, 0.18]
    """
    square = np.asarray(envelope.values) ** 2
    lines = np.abs(scipy.fft.rfft(square)) / len(square)
    lines[1:] *= 2.0
    if len(square) % 2 == 0:
        lines[-1] /= 2.0
    spacing = envelope.rate_hz / len(square)
    return EnvelopeSpectrum(
        frequency_hz=read_only(np.arange(len(lines)) * spacing),
        amplitude=read_only(lines),
        spacing_hz=spacing,
    )


def envelope_order_spectrum(
    sound: ArrayLike | WholeSpectrum,
    rate_hz: float,
    band_hz: tuple[float, float],
    time_s: ArrayLike,
    rpm: ArrayLike,
    *,
    max_order: float = 28.0,
    resolution: float = 0.05,
    spans_s: Iterable[tuple[float, float]] | None = None,
) -> EnvelopeOrderSpectrum:
    """Give at which orders the sound of a band swings.

    Parameters
    ----------
    sound, rate_hz, band_hz:
        As for :func:`band_envelope`.
    time_s, rpm:
        Speed over time, as for :func:`audiodiag.orders.angle.crank_angle`.
    max_order, resolution, spans_s:
        Highest order, distance of lines, and stretches of the clip, as for ``order_spectrum``.

    Raises
    ------
    ClipError, SpeedError, UsageError
        As the functions that it calls.

    Source: squared envelope spectrum in the order domain; Randall and Antoni, Mechanical Systems and Signal
    Processing 25(2), 2011, 485-520.

    >>> import numpy as np
    >>> t = np.arange(80000) / 8000
    >>> x = (1 + 0.5 * np.cos(2 * np.pi * 15.0 * t)) * np.cos(2 * np.pi * 2000 * t)
    >>> found = envelope_order_spectrum(x, 8000, (1500, 2500), [0, 10], [750, 750])
    >>> round(float(found.line_amplitude(1.2)), 2)  # 2 m / (1 + m² / 2) at 15 Hz / 12.5 Hz
    0.89
    """
    fast_hz = float(np.nanmax(np.asarray(rpm, dtype=float))) / 60.0
    whole = sound if isinstance(sound, WholeSpectrum) else whole_spectrum(sound, rate_hz)
    envelope = band_envelope(whole, rate_hz, band_hz, envelope_rate_hz=2.5 * max_order * fast_hz)
    square = envelope.values**2
    mean = float(square.mean())
    if not mean > 0.0:
        raise ClipError(
            "there is no sound in a band",
            got=f"silence from {band_hz[0]:g} to {band_hz[1]:g} Hz",
            allowed="a band with sound",
            todo="choose a band that the recording carries",
        )
    samples_per_rev = 2 * math.ceil(max_order / 0.88)
    angle = resample_to_angle(
        square / mean - 1.0,
        envelope.rate_hz,
        np.asarray(time_s, dtype=float) - envelope.start_s,
        rpm,
        samples_per_rev=samples_per_rev,
        max_order=max_order,
    )
    shifted = None if spans_s is None else [(a - envelope.start_s, b - envelope.start_s) for a, b in spans_s]
    return EnvelopeOrderSpectrum(
        spectrum=order_spectrum(angle, resolution=resolution, spans_s=shifted),
        band_hz=(float(band_hz[0]), float(band_hz[1])),
        mean_square=mean,
    )


def spectral_kurtosis(samples: ArrayLike, rate_hz: float, *, block: int = 512) -> SpectralKurtosis:
    """Give the spectral kurtosis, line by line, from frames that do not overlap.

    ``E[P²] / E[P]² - 2`` with P the power of a line in each frame (Antoni 2006).

    Parameters
    ----------
    samples:
        Shape (n,).
    block:
        Samples of a frame.

    Raises
    ------
    UsageError
        If there are fewer than two frames.

    >>> import numpy as np
    >>> found = spectral_kurtosis(np.sin(2 * np.pi * np.arange(51200) / 16), 8000)
    >>> round(float(found.kurtosis[32]), 3), found.frames
    (-1.0, 100)
    """
    x = np.asarray(samples)
    frames = len(x) // block
    if frames < 2:
        raise UsageError(
            "the sound is too short for a spectral kurtosis",
            got=f"{len(x)} samples",
            allowed=f"at least {2 * block}",
            todo="take shorter frames or a longer clip",
        )
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(block) / block)
    lines = scipy.fft.rfft(x[: frames * block].reshape(frames, block) * window.astype(x.dtype), axis=1)
    power = lines.real.astype(float) ** 2 + lines.imag.astype(float) ** 2
    return SpectralKurtosis(
        frequency_hz=read_only(np.arange(block // 2 + 1) * rate_hz / block),
        kurtosis=read_only((power**2).mean(axis=0) / np.maximum(power.mean(axis=0) ** 2, 1e-300) - 2.0),
        frames=frames,
    )


def best_band(
    sound: ArrayLike | WholeSpectrum,
    rate_hz: float,
    *,
    low_hz: float = 0.0,
    high_hz: float | None = None,
    levels: int = 5,
) -> BestBand:
    """Find the band whose complex envelope is most impulsive.

    Parameters
    ----------
    sound:
        Shape (n,), or its whole spectrum.
    low_hz, high_hz:
        Range in which bands are looked for; by default all.
    levels:
        How often the range is halved; in between it is also parted in 3, 6, 12, ... .

    Raises
    ------
    UsageError
        If no band fits into the range.

    Source: the 1/3-binary grid of the fast kurtogram (Antoni 2007), the bands cut from one transform.

    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> t = np.arange(20480) / 20480
    >>> ring = np.exp(-800 * (t % 0.01)) * np.sin(2 * np.pi * 6000 * (t % 0.01))
    >>> found = best_band(ring + 0.3 * rng.standard_normal(20480), 20480)
    >>> bool(abs(found.centre_hz - 6000) < 1000)
    True
    """
    whole = sound if isinstance(sound, WholeSpectrum) else whole_spectrum(sound, rate_hz)
    spacing = whole.spacing_hz
    first = math.ceil(low_hz / spacing)
    last = min(math.floor((high_hz or whole.rate_hz / 2) / spacing), len(whole.lines) - 1)
    best: BestBand | None = None
    for level in range(1, levels + 1):
        for parts, named in ((2**level, float(level)), (3 * 2 ** (level - 1), level + 0.6)):
            width = (last - first + 1) // parts
            if width < 64:
                continue
            size = scipy.fft.next_fast_len(width)
            bands = np.zeros((parts, size), dtype=whole.lines.dtype)
            bands[:, :width] = whole.lines[first : first + parts * width].reshape(parts, width) * _taper(
                width
            )
            envelope = scipy.fft.ifft(bands, axis=1)
            share = size / whole.padded_length
            inside = envelope[
                :, math.ceil(whole.pad * share) : math.floor((whole.pad + whole.length) * share)
            ]
            square = inside.real**2 + inside.imag**2
            mean = square.mean(axis=1)
            value = (square**2).mean(axis=1) / np.maximum(mean**2, 1e-30) - 2.0
            value[mean <= 1e-7 * mean.max()] = -2.0
            top = int(value.argmax())
            if best is None or value[top] > best.kurtosis:
                start = (first + top * width) * spacing
                best = BestBand(
                    low_hz=start,
                    high_hz=start + width * spacing,
                    kurtosis=float(value[top]),
                    noise_scatter=2.0 / math.sqrt(width * whole.length / whole.padded_length),
                    level=named,
                )
    if best is None:
        raise UsageError(
            "no band fits into the range",
            got=f"{low_hz:g} to {high_hz or whole.rate_hz / 2:g} Hz",
            allowed=f"a range of at least {128 * spacing:.3g} Hz",
            todo="widen the range or take a longer clip",
        )
    return best


def _taper(width: int) -> NDArray[np.float32]:
    """Gain across a band: cosine slopes over a sixth of it at either edge, shape (width,)."""
    edge = max(width // 6, 1)
    gain = np.ones(width)
    gain[:edge] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    gain[-edge:] = gain[:edge][::-1]
    return gain.astype(np.float32)
