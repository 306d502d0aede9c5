"""What the speed tracker listens to: the low band itself, and the modulation of the higher bands.

Lows below 150 Hz are often missing from phone clips; the firing rhythm then survives in the *modulation* of
noise and in the spacing of high harmonics. Both are turned into short-time spectra on one logarithmic
frequency axis, whitened, so that a shift along the axis is a change of speed (or of order) and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.fft
from scipy.ndimage import spline_filter, uniform_filter1d

from audiodiag.records import FloatArray
from audiodiag.signal.powers import Windows, hann, power_of, power_spectra, windows_at

__all__ = [
    "CHANNELS",
    "HOP_S",
    "LOG_STEP",
    "WINDOWS_S",
    "Baseband",
    "FrontEnd",
    "basebands",
    "between",
    "front_end",
    "log_axis",
    "on_axis",
    "whiten",
]

LOW_RATE_HZ = 2400.0
HOP_S = 0.1
LOG_STEP = 0.006
AXIS_LOW_HZ, AXIS_HIGH_HZ = 3.0, 1100.0
ENVELOPE_BANDS_HZ = ((250.0, 700.0), (700.0, 1800.0), (1800.0, 4000.0), (4000.0, 8000.0))
CHANNELS = ("low_long", "low_short", "envelope_long", "envelope_short")
WINDOWS_S = {"long": 0.7, "short": 0.3}
FFT_SIZES = {"long": 4096, "short": 2048}
ENERGY_S = 0.2
"""Length of the windows whose level is given."""
SPLINE_MARGIN = 12
"""Samples that a signal is held for at its ends before splines are laid through it."""


@dataclass(frozen=True, eq=False)
class Baseband:
    """A real signal at a low rate: the low band, or the envelope of a higher band, zero mean."""

    samples: FloatArray
    rate_hz: float

    def at(self, when_s: FloatArray) -> FloatArray:
        """Give the signal between its samples, at any times in seconds, shape (n,): cubic splines.

        Beyond its ends it is held.
        """
        return next(between((self,), when_s))

    def between_hz(self, low_hz: float, high_hz: float) -> FloatArray:
        """Give the part of the signal between two frequencies, shape (n,), without delay."""
        from scipy.signal import butter, sosfiltfilt

        sections = butter(4, (low_hz, high_hz), "band", fs=self.rate_hz, output="sos")
        return np.asarray(sosfiltfilt(sections, self.samples))

    @cached_property
    def _spline(self) -> FloatArray:
        held = np.pad(self.samples, SPLINE_MARGIN, mode="edge")
        return np.asarray(spline_filter(held, 3, output=np.float64, mode="nearest"), np.float32)


def between(signals: Sequence[Baseband], when_s: FloatArray) -> Iterator[FloatArray]:
    """Give each signal between its samples, as ``Baseband.at``; the places are worked out once for all.

    signals: of one length and rate. Each result is of shape (n,), float32.

    >>> signal = Baseband(np.sin(0.3 * np.arange(200)).astype(np.float32), 100.0)
    >>> (values,) = between([signal], np.array([0.5, 0.755]))
    >>> bool(np.allclose(values, np.sin([15.0, 22.65]), atol=1e-3))
    True
    """
    most = len(signals[0].samples) + 2 * SPLINE_MARGIN - 3
    place = np.clip(when_s * signals[0].rate_hz + SPLINE_MARGIN, 1.0, most)
    first = place.astype(np.intp)
    share = (place - first).astype(np.float32)
    left = 1 - share
    near, far = left * left, share * share
    weights = (
        near * left * np.float32(1 / 6),
        np.float32(2 / 3) - far * (1 - np.float32(0.5) * share),
        np.float32(2 / 3) - near * (1 - np.float32(0.5) * left),
        far * share * np.float32(1 / 6),
    )
    first -= 1
    for signal in signals:
        value = weights[0] * signal._spline[first]
        for step in (1, 2, 3):
            value += weights[step] * signal._spline[step:][first]
        yield value


@dataclass(frozen=True, eq=False)
class FrontEnd:
    """Whitened short-time spectra for the comb.

    spectra: shape (channels, frames, axis), natural logarithm of power above the local background, clipped.
    axis_hz: shape (axis,), geometric with ``LOG_STEP``. time_s: shape (frames,), window centres.
    energy_db: shape (frames,), level of the low band, relative.
    """

    spectra: FloatArray
    axis_hz: FloatArray
    time_s: FloatArray
    energy_db: FloatArray


def log_axis() -> FloatArray:
    """Give the frequency axis of the comb in hertz, geometric.

    >>> axis = log_axis()
    >>> bool(abs(np.log(axis[1] / axis[0]) - LOG_STEP) < 1e-9)
    True
    """
    count = int(np.log(AXIS_HIGH_HZ / AXIS_LOW_HZ) / LOG_STEP) + 1
    return AXIS_LOW_HZ * np.exp(LOG_STEP * np.arange(count))


def basebands(samples: FloatArray, rate_hz: float, *, low_hz: float = 8.0) -> tuple[Baseband, ...]:
    """Split a clip into its low band and the envelopes of its higher bands.

    samples: shape (n,), full scale 1, at ``rate_hz``. The first result is the low band up to 1.2 kHz, the
    others are log-envelopes of ``ENVELOPE_BANDS_HZ`` (those within the band of the clip), all at about
    2.4 kHz. One transform of the whole clip serves all of them, so no filter smears in time.
    """
    count = len(samples)
    padded = scipy.fft.next_fast_len(count + int(0.25 * rate_hz), real=True)
    spectrum = scipy.fft.rfft(np.asarray(samples, np.float32), padded)
    bin_hz = rate_hz / padded
    rate_low = min(LOW_RATE_HZ, rate_hz)
    out_length = scipy.fft.next_fast_len(int(np.ceil(padded * rate_low / rate_hz)), real=True)
    out_rate = rate_hz * out_length / padded
    kept = round(count * out_length / padded)

    low = np.zeros(out_length // 2 + 1, np.complex64)
    top = min(len(spectrum), len(low))
    low[:top] = spectrum[:top]
    low[: int(low_hz / bin_hz)] = 0
    found = [Baseband(scipy.fft.irfft(low, out_length)[:kept] * (out_length / padded), out_rate)]

    for low_edge, high_edge in ENVELOPE_BANDS_HZ:
        first, last = int(low_edge / bin_hz), int(high_edge / bin_hz)
        if last > len(spectrum) - 1:
            break
        width = last - first
        taper = np.hanning(width + 2)[1:-1].astype(np.float32) ** 0.5
        length = scipy.fft.next_fast_len(max(width, out_length))
        analytic = scipy.fft.ifft(spectrum[first:last] * taper, length)
        power = power_of(analytic)
        if length != out_length:
            small = scipy.fft.rfft(power)[: out_length // 2 + 1]
            power = scipy.fft.irfft(small, out_length)
        floor = max(float(np.mean(power[:kept])) * 1e-3, 1e-20)
        envelope = np.log(np.maximum(power[:kept], floor))
        envelope -= uniform_filter1d(envelope, int(0.5 * out_rate), mode="nearest")
        found.append(Baseband(envelope.astype(np.float32), out_rate))
    return tuple(found)


def _windows(signal: Baseband, window_s: float, time_s: FloatArray) -> Windows:
    length = int(window_s * signal.rate_hz)
    padded = np.pad(signal.samples, (length // 2, length))
    starts = np.round(time_s * signal.rate_hz).astype(int)
    return windows_at(padded, np.minimum(starts, len(padded) - length), length)


def _power(signal: Baseband, window: str, time_s: FloatArray, axis_hz: FloatArray) -> FloatArray:
    """Give the power in windows of one of the lengths, shape (frames, axis)."""
    windows, size = _windows(signal, WINDOWS_S[window], time_s), FFT_SIZES[window]
    power = power_spectra(windows, hann(windows.shape[1]), size)
    return on_axis(power, signal.rate_hz / size, axis_hz)


def on_axis(power: FloatArray, step_hz: float, axis_hz: FloatArray) -> FloatArray:
    """Read power spectra, shape (frames, bins) in steps of ``step_hz``, at the frequencies of the axis."""
    position = axis_hz / step_hz
    lower = np.clip(position.astype(int), 0, power.shape[1] - 2)
    share = np.clip(position - lower, 0, 1).astype(np.float32)
    below, above = power.take(lower, axis=1), power.take(lower + 1, axis=1)
    above -= below
    above *= share
    above += below
    return np.asarray(above)


def whiten(log_power: FloatArray) -> FloatArray:
    """Give natural logarithms of power above what lies around on the axis, clipped; shape (frames, axis)."""
    background = uniform_filter1d(log_power, int(0.9 / LOG_STEP), axis=1, mode="nearest")
    once = np.minimum(log_power, background + 1.0)
    background = uniform_filter1d(once, int(0.9 / LOG_STEP), axis=1, mode="nearest")
    return np.clip(log_power - background, -2.0, 5.0)


def front_end(bands: tuple[Baseband, ...], duration_s: float) -> FrontEnd:
    """Compute the whitened short-time spectra of all channels on the common axis.

    bands: from ``basebands``. Frames stand every ``HOP_S``.
    """
    axis = log_axis()
    time_s = np.arange(0.0, duration_s, HOP_S)
    spectra = []
    for name in CHANNELS:
        kind, window = name.split("_")
        if kind == "low":
            power = _power(bands[0], window, time_s, axis)
            spectra.append(whiten(np.log(power + 1e-12 * power.max() + 1e-30)))
        else:
            total = np.zeros((len(time_s), len(axis)), np.float32)
            for band in bands[1:]:
                power = _power(band, window, time_s, axis)
                total += power / (np.mean(power[:, axis < 250.0]) + 1e-30)
            spectra.append(whiten(np.log(total + 1e-9)))
    windows = _windows(bands[0], ENERGY_S, time_s)
    frames = windows[:] * hann(windows.shape[1])
    energy = 10 * np.log10(np.mean(frames**2, axis=1) + 1e-20)
    return FrontEnd(np.asarray(spectra, np.float32), axis, time_s, energy)
