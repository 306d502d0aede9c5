"""Tools of the bay made afresh: noise of humps, damped modes, trains of strikes, wandering courses.

Sounds are float32, shape (n,). Slow courses live on a grid of every ``step`` samples and are spread from
there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from audiodiag.records import FloatArray

__all__ = [
    "Modes",
    "by_table",
    "even",
    "evenly",
    "gated",
    "hump_noise",
    "kernel",
    "log_even",
    "modes_of",
    "named",
    "ringing",
    "sine",
    "spread",
    "strewn",
    "wander",
]


def even(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number, each as likely."""
    return low + (high - low) * float(rng.random())


def log_even(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number, each ratio as likely.

    >>> 2.0 <= log_even(np.random.default_rng(0), 2.0, 8.0) <= 8.0
    True
    """
    return low * (high / low) ** float(rng.random())


def named(rng: np.random.Generator, weights: Mapping[str, float]) -> str:
    """Draw one name by its weight."""
    at = float(rng.random()) * sum(weights.values())
    for name, weight in weights.items():
        at -= weight
        if at < 0:
            return name
    return next(reversed(list(weights)))


def evenly(sound: FloatArray, among: NDArray[np.bool_] | None = None) -> FloatArray:
    """Scale to a mean square of 1, over the marked samples (shape (n,)) where some are.

    >>> float(evenly(np.full(4, -3.0, np.float32))[0])
    -1.0
    """
    counted = sound if among is None or not among.any() else sound[among]
    square = float(np.dot(counted, counted)) / max(len(counted), 1)
    return np.asarray(sound * np.float32(1 / np.sqrt(square)) if square > 0 else sound, np.float32)


def sine(turns: FloatArray) -> FloatArray:
    """One wave a turn; ``turns`` of any length, in float64 or float32.

    >>> round(float(sine(np.array([3.25]))[0]), 6)
    1.0
    """
    return np.sin(np.float32(2 * np.pi) * (turns - np.floor(turns)).astype(np.float32))


def spread(course: FloatArray, step: int, n: int) -> FloatArray:
    """From every ``step`` samples to all n of them by straight lines; the course reaches past the end.

    >>> spread(np.array([0.0, 2.0, 2.0, 2.0]), 2, 4).tolist()
    [0.0, 1.0, 2.0, 2.0]
    """
    pieces = n // step + 1
    start = course[:pieces].astype(np.float32)
    rise = course[1 : pieces + 1].astype(np.float32) - start
    ramp = np.arange(step, dtype=np.float32) / np.float32(step)
    return (start[:, None] + rise[:, None] * ramp[None, :]).ravel()[:n]


def wander(rng: np.random.Generator, n: int, rate: int, seconds: float) -> FloatArray:
    """Gaussian course of spread 1, twice smoothed, that has forgotten itself after so many seconds."""
    step = max(1, int(rate * seconds / 8))
    count = n // step + 3
    keep = np.exp(-step / (0.5 * seconds * rate))
    run_in = 64
    noise = rng.standard_normal(count + run_in)
    course = signal.lfilter([1.0], [1.0, -2 * keep, keep * keep], noise)[run_in:]
    spread_of_it = np.sqrt((1 + keep**2) / (1 - keep**2) ** 3)
    return spread(course / spread_of_it, step, n)


@dataclass(frozen=True, eq=False)
class Modes:
    """Damped modes: frequencies in Hz, times in s to fall to 1/e, heights; each of shape (k,)."""

    hz: FloatArray
    fall_s: FloatArray
    height: FloatArray


def modes_of(
    rng: np.random.Generator,
    number: int,
    low_hz: float,
    high_hz: float,
    *,
    quality: tuple[float, float] = (4.0, 20.0),
    slope: float = 0.5,
) -> Modes:
    """Draw modes of a body, spread over the logarithm of frequency; heights fall with frequency ** slope."""
    share = (np.arange(number) + rng.random(number)) / number
    hz = low_hz * (high_hz / low_hz) ** share
    fall = rng.uniform(*quality, number) / (np.pi * hz)
    return Modes(hz, fall, rng.normal(0, 1, number) * (hz / low_hz) ** -slope)


def kernel(modes: Modes, rate: int, longest_s: float = 0.25) -> FloatArray:
    """What a body answers to one strike: its modes that lie below 0.45 of the rate, shape (m,)."""
    kept = modes.hz < 0.45 * rate
    if not kept.any():
        return np.ones(1, np.float32)
    m = int(rate * min(longest_s, 5 * float(modes.fall_s[kept].max()))) + 2
    t = np.arange(m, dtype=np.float32) / np.float32(rate)
    answer = np.zeros(m, np.float32)
    for hz, fall, height in zip(modes.hz[kept], modes.fall_s[kept], modes.height[kept], strict=True):
        short = t[: int(rate * 6 * fall) + 2]
        wave = np.sin(np.float32(2 * np.pi * hz) * short) * np.exp(short * np.float32(-1 / fall))
        answer[: len(short)] += np.float32(height * np.sqrt(hz)) * wave
    return answer


def ringing(pairs: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Sum of trains, shape (n,) each, that each set a body with its kernel (m,) ringing; shape (n,)."""
    n, longest = len(pairs[0][0]), max(len(body) for _, body in pairs)
    size = max(1 << 14, 1 << int(np.ceil(np.log2(3 * longest))))
    piece = size - longest + 1
    pieces = -(-n // piece)
    spectra = np.zeros((pieces, size // 2 + 1), np.complex64)
    for train, body in pairs:
        cut = np.zeros((pieces, size), np.float32)
        padded = np.zeros(pieces * piece, np.float32)
        padded[:n] = train
        cut[:, :piece] = padded.reshape(pieces, piece)
        spectra += fft.rfft(cut, axis=1) * fft.rfft(np.asarray(body, np.float32), size)
    waves = fft.irfft(spectra, size, axis=1)
    whole = np.zeros(pieces * piece + size, np.float32)
    for k, wave in enumerate(waves):  # each piece rings on into the next
        whole[k * piece : k * piece + size] += wave
    return whole[:n]


def strewn(n: int, places: FloatArray, heights: FloatArray) -> FloatArray:
    """Strikes of given heights at places between samples, shape (n,); those outside fall away.

    >>> strewn(4, np.array([1.5, 9.0]), np.array([2.0, 1.0])).tolist()
    [0.0, 1.0, 1.0, 0.0]
    """
    kept = (places >= 0) & (places < n - 1)
    before = np.floor(places[kept]).astype(np.int64)
    after = places[kept] - before
    both = np.concatenate([before, before + 1])
    shares = np.concatenate([heights[kept] * (1 - after), heights[kept] * after])
    return np.bincount(both, shares, n).astype(np.float32)


def hump_noise(
    rng: np.random.Generator,
    n: int,
    rate: int,
    humps: Sequence[tuple[float, float, float]],
    *,
    floor: tuple[float, float, float] | None = None,
) -> FloatArray:
    """Noise of mean square 1 whose power in each octave is a sum of humps over the logarithm of frequency.

    humps: (Hz, width in octaves, height in power). floor: (Hz, fall in dB an octave above it, height
    in power), as strong in each Hz below that frequency; below 20 Hz nothing.
    """
    size = fft.next_fast_len(n, real=True)
    hz = np.geomspace(20.0, rate / 2, 400)
    octave = np.log2(hz)
    power = np.full(len(hz), 1e-7)
    for centre, wide, height in humps:
        power += height * (centre / hz) / (1 + np.square((octave - np.log2(centre)) / (0.5 * wide))) ** 2
    if floor is not None:
        corner, fall, height = floor
        power += height * np.minimum(1.0, (hz / corner) ** (-fall / 3.0103))
    gain = np.interp(np.arange(size // 2 + 1) * (rate / size), hz, np.sqrt(power), left=0.0).astype(
        np.float32
    )
    white = rng.standard_normal(2 * len(gain), dtype=np.float32).view(np.complex64)
    return evenly(np.asarray(fft.irfft(white * gain, size)[:n], np.float32))


def by_table(table: FloatArray, turns: FloatArray) -> FloatArray:
    """Read a waveform of one turn, shape (k,), at the turns made, between its points by straight lines."""
    at = (turns - np.floor(turns)).astype(np.float32) * np.float32(len(table))
    first = at.astype(np.int32)
    values = np.append(table, table[:2]).astype(np.float32)
    low = values[first]
    return low + (at - first) * (values[first + 1] - low)


def gated(
    spans: Sequence[tuple[float, float]], n: int, rate: int, rise_s: float, fall_s: float
) -> FloatArray:
    """1 within spans of seconds, 0 outside; it comes and goes as a charge does, within the spans."""
    step = max(1, rate // 800)
    t = np.arange(n // step + 3) * (step / rate)
    open_ = np.zeros(len(t), np.float64)
    for start, end in spans:
        into, left = np.maximum(t - start, 0), np.maximum(end - t, 0)
        open_ = np.maximum(open_, (1 - np.exp(-3 * into / rise_s)) * (1 - np.exp(-3 * left / fall_s)))
    return spread(open_, step, n)
