"""The spectra that every check of the recording looks at, computed once and in pieces so that memory stays
bounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["Spectra", "low_rate_signal", "spectra_of"]

_LOW_RATE_HZ = 8000.0
_PIECE_S = 60.0
_OVERLAP_S = 0.25


@dataclass(frozen=True, eq=False)
class Spectra:
    """Two views of one clip.

    power: shape (blocks, bins), mean power spectrum of half-second blocks over the full band; its bins lie at
    ``frequency_hz``, its blocks ``block_s`` apart. low_power: shape (frames, bins), 64 ms frames every
    ``low_hop_s`` over the band up to about 4 kHz; bins at ``low_frequency_hz``. low_signal: shape (n,), the
    clip at about 8 kHz, ``low_rate_hz``.
    """

    power: FloatArray
    frequency_hz: FloatArray
    block_s: float
    low_power: FloatArray
    low_frequency_hz: FloatArray
    low_hop_s: float
    low_signal: FloatArray
    low_rate_hz: float

    def track(self, low_hz: float, high_hz: float) -> FloatArray:
        """Power between two frequencies in each low frame, shape (frames,)."""
        inside = (self.low_frequency_hz >= low_hz) & (self.low_frequency_hz < high_hz)
        return np.asarray(self.low_power[:, inside].sum(axis=1))


def low_rate_signal(samples: FloatArray, sample_rate_hz: int) -> tuple[FloatArray, float]:
    """Bring samples, shape (n,), to about 8 kHz by cutting their spectrum; give them and the exact rate.

    >>> import numpy as np
    >>> low, rate = low_rate_signal(np.ones(48_000, dtype=np.float32), 48_000)
    >>> low.shape, rate
    ((8000,), 8000.0)
    """
    if sample_rate_hz <= 1.3 * _LOW_RATE_HZ:
        return samples, float(sample_rate_hz)
    from scipy import fft

    ratio = round(sample_rate_hz / _LOW_RATE_HZ)
    piece = round(_PIECE_S * sample_rate_hz) // ratio * ratio
    overlap = round(_OVERLAP_S * sample_rate_hz) // ratio * ratio
    out: list[FloatArray] = []
    for start in range(0, samples.size // ratio * ratio, piece):
        first = max(0, start - overlap)
        last = min(samples.size // ratio * ratio, start + piece + overlap)
        part = samples[first:last]
        length = fft.next_fast_len((part.size + overlap) // ratio) * ratio
        spectrum = fft.rfft(part, n=length)[: length // ratio // 2 + 1]
        low = fft.irfft(spectrum, n=length // ratio) / ratio
        out.append(
            low[(start - first) // ratio : (min(start + piece, last) - first) // ratio].astype(np.float32)
        )
    return np.concatenate(out), sample_rate_hz / ratio


def _frames(samples: FloatArray, length: int, hop: int) -> FloatArray:
    return np.lib.stride_tricks.sliding_window_view(samples, length)[::hop]


def spectra_of(samples: FloatArray, sample_rate_hz: int) -> Spectra:
    """Compute both views of samples, shape (n,), float32, at least half a second long."""
    from scipy import fft

    length = 1 << round(np.log2(sample_rate_hz * 0.043))
    per_block = max(1, round(0.5 * sample_rate_hz / length))
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    frames = samples[: samples.size // length * length].reshape(-1, length)
    blocks = max(1, frames.shape[0] // per_block)
    power = np.empty((blocks, length // 2 + 1), dtype=np.float32)
    scale = np.float32(2.0 / np.sum(window.astype(np.float64) ** 2) / length)
    for block in range(blocks):
        spectrum = fft.rfft(frames[block * per_block : (block + 1) * per_block] * window, axis=1)
        power[block] = (np.square(spectrum.real) + np.square(spectrum.imag)).mean(axis=0) * scale
    low, low_rate_hz = low_rate_signal(samples, sample_rate_hz)
    low_length = 1 << round(np.log2(low_rate_hz * 0.064))
    low_hop = low_length // 4
    low_window = np.hanning(low_length + 1)[:-1].astype(np.float32)
    low_frames = _frames(low, low_length, low_hop)
    low_power = np.empty((low_frames.shape[0], low_length // 2 + 1), dtype=np.float32)
    low_scale = np.float32(2.0 / np.sum(low_window.astype(np.float64) ** 2) / low_length)
    for first in range(0, low_frames.shape[0], 1024):
        spectrum = fft.rfft(low_frames[first : first + 1024] * low_window, axis=1)
        low_power[first : first + 1024] = (np.square(spectrum.real) + np.square(spectrum.imag)) * low_scale
    return Spectra(
        power=power,
        frequency_hz=np.arange(length // 2 + 1, dtype=np.float64) * sample_rate_hz / length,
        block_s=per_block * length / sample_rate_hz,
        low_power=low_power,
        low_frequency_hz=np.arange(low_length // 2 + 1, dtype=np.float64) * low_rate_hz / low_length,
        low_hop_s=low_hop / low_rate_hz,
        low_signal=low,
        low_rate_hz=low_rate_hz,
    )
