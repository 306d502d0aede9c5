"""Building blocks of the simulation: noises, pulse trains, ringing bodies, slow walks.

Arrays of sound are float32, shape (n,); slow quantities live on a control grid of ``CONTROL_HZ``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft as sfft

from audiodiag.records import FloatArray

__all__ = [
    "CONTROL_HZ",
    "COSINE",
    "control_count",
    "convolve",
    "convolve_sum",
    "delayed",
    "deposit",
    "exponential_lag",
    "modes_kernel",
    "on_samples",
    "pick",
    "power",
    "ramp_gate",
    "shaped_noise",
    "spans_of",
    "turn_table",
    "turns_of",
    "uniform_log",
    "unit",
    "walk",
]

CONTROL_HZ = 200
"""Rate of the control grid on which speed, load and gains are drawn."""
COSINE = np.cos(2 * np.pi * np.arange(4096) / 4096).astype(np.float32)
"""One turn of a cosine, for ``turn_table``."""


def pick(rng: np.random.Generator, weights: dict[str, float], fixed: str | None = None) -> str:
    """Draw a name by weight, or keep the one that is fixed."""
    if fixed is not None:
        return fixed
    names = list(weights)
    p = np.array([weights[name] for name in names])
    return names[int(rng.choice(len(names), p=p / p.sum()))]


def uniform_log(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def power(samples: FloatArray) -> float:
    """Mean square."""
    return float(np.mean(np.square(samples), dtype=np.float64)) if len(samples) else 0.0


def unit(sound: FloatArray) -> FloatArray:
    """Give the sound at an effective value of 1; silence stays silent."""
    return sound / np.float32(np.sqrt(power(sound)) + 1e-20)


def control_count(n: int, rate: int) -> int:
    """Count the points of a control curve that reaches over n samples."""
    return int(n / rate * CONTROL_HZ) + 2


def on_samples(control: FloatArray, n: int, rate: int) -> FloatArray:
    """Bring a control curve, shape (m,), to samples, float32 shape (n,)."""
    step = CONTROL_HZ / rate
    return np.interp(np.arange(n) * step, np.arange(len(control)), control).astype(np.float32)


def turns_of(hz: FloatArray, n: int, rate: int) -> FloatArray:
    """Turns at every sample from a control curve of turns a second, shape (n,)."""
    return np.cumsum(on_samples(hz, n, rate).astype(np.float64)) / rate


def delayed(sound: FloatArray, late_s: FloatArray, rate: int) -> FloatArray:
    """A sound, shape (n,), that comes later by a changing time (on the control grid); its ends are held."""
    n = len(sound)
    at = np.arange(n) - on_samples(late_s, n, rate) * rate
    return np.interp(at, np.arange(n), sound).astype(np.float32)


def exponential_lag(values: FloatArray, tau_s: float, rate: float = CONTROL_HZ) -> FloatArray:
    """Follow ``values`` with a first-order lag of time constant ``tau_s``."""
    from scipy.signal import lfilter

    a = float(np.exp(-1.0 / (max(tau_s, 1e-4) * rate)))
    out, _ = lfilter([1.0 - a], [1.0, -a], values, zi=[a * float(values[0])])
    return np.asarray(out)


def walk(rng: np.random.Generator, count: int, tau_s: float, deviation: float) -> FloatArray:
    """Draw a random walk that returns to zero (Ornstein-Uhlenbeck) on the control grid."""
    from scipy.signal import lfilter

    a = float(np.exp(-1.0 / (max(tau_s, 1e-3) * CONTROL_HZ)))
    noise = rng.standard_normal(count) * np.sqrt(1.0 - a * a)
    out, _ = lfilter([1.0], [1.0, -a], noise, zi=[a * rng.standard_normal()])
    return np.asarray(out) * deviation


def deposit(n: int, positions: FloatArray, amplitudes: FloatArray) -> FloatArray:
    """Put pulses at fractional sample positions, each shared by its two neighbours; shape (n,)."""
    keep = (positions >= 0) & (positions < n - 1)
    at = positions[keep]
    weight = amplitudes[keep]
    low = at.astype(np.int64)
    part = at - low
    out = np.bincount(low, weight * (1.0 - part), n) + np.bincount(low + 1, weight * part, n)
    return out[:n].astype(np.float32)


def modes_kernel(
    rng: np.random.Generator,
    rate: int,
    *,
    count: int,
    low_hz: float,
    high_hz: float,
    quality: tuple[float, float],
    tilt_db_per_octave: float = -3.0,
    direct: float = 0.0,
    longest_s: float = 0.15,
) -> FloatArray:
    """Draw the impulse response of a ringing body: a sum of damped modes, unit energy.

    Each mode rings as ``exp(-pi f t / Q) sin(2 pi f t + phase)``. ``direct`` adds an unringing share.
    """
    high_hz = min(high_hz, 0.46 * rate)
    n = int(longest_s * rate)
    t = np.arange(n) / rate
    kernel = np.zeros(n)
    for frequency in np.exp(rng.uniform(np.log(low_hz), np.log(max(high_hz, low_hz * 1.01)), count)):
        q = uniform_log(rng, *quality)
        level = 10.0 ** ((tilt_db_per_octave * np.log2(frequency / low_hz) + rng.normal(0.0, 5.0)) / 20.0)
        ring = np.exp(-np.pi * frequency * t / q) * np.sin(
            2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi)
        )
        kernel += level * ring * np.sqrt(frequency / q)
    kernel /= np.sqrt(np.sum(kernel**2)) + 1e-20
    if direct > 0:
        kernel[0] += direct
        kernel /= np.sqrt(np.sum(kernel**2))
    fade = min(n, int(0.01 * rate))
    kernel[-fade:] *= np.linspace(1, 0, fade)
    return kernel.astype(np.float32)


def convolve_sum(pairs: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Convolve each signal, shape (n,), with its kernel, add up, and cut to n samples (overlap-add)."""
    n = len(pairs[0][0])
    longest = max(len(kernel) for _, kernel in pairs)
    size = 1 << max(12, int(np.ceil(np.log2(4 * longest))))
    step = size - longest + 1
    blocks = -(-n // step)
    total: Any = 0
    for signal, kernel in pairs:
        frames = np.zeros((blocks, step), np.float32)
        frames.ravel()[:n] = signal
        spectrum = sfft.rfft(frames, size, axis=1)
        spectrum *= sfft.rfft(np.asarray(kernel, np.float32), size)
        total = total + spectrum
    pieces: FloatArray = sfft.irfft(total, size, axis=1)
    out = np.zeros((blocks + 1, step), np.float32)
    out[:-1] += pieces[:, :step]
    out[1:, : size - step] += pieces[:, step:]
    return out.ravel()[:n]


def convolve(signal: FloatArray, kernel: FloatArray) -> FloatArray:
    """Convolve and cut to the signal's length."""
    return convolve_sum([(signal, kernel)])


def shaped_noise(
    rng: np.random.Generator, n: int, rate: int, points: Sequence[tuple[float, float]]
) -> FloatArray:
    """Draw Gaussian noise of unit power; its spectrum runs through (Hz, dB) points, log-frequency between."""
    bins = 2048
    grid = np.maximum(np.arange(bins + 1) * rate / 2 / bins, 1.0)
    level = np.interp(np.log(grid), np.log([p[0] for p in points]), [p[1] for p in points])
    magnitude = 10.0 ** (level / 20.0)
    kernel = np.fft.irfft(magnitude)
    kernel = (np.roll(kernel, bins) * np.hanning(2 * bins))[bins // 2 : -bins // 2]
    noise = convolve(rng.standard_normal(n, dtype=np.float32), kernel)
    return noise / np.float32(np.sqrt(power(noise)) + 1e-20)


def turn_table(phase: FloatArray, table: FloatArray) -> FloatArray:
    """Read a table of one turn (its length a power of two) at ``phase`` (in turns, any range), shape (n,)."""
    size = len(table)
    place = (phase * size).astype(np.int64)
    place &= size - 1
    return np.asarray(table, np.float32)[place]


def ramp_gate(active: FloatArray, attack_s: float, release_s: float) -> FloatArray:
    """Soften an on/off control curve with different rise and fall (raised exponentials)."""
    out = np.empty(len(active))
    state = float(active[0])
    up = 1.0 - np.exp(-1.0 / (max(attack_s, 1e-3) * CONTROL_HZ))
    down = 1.0 - np.exp(-1.0 / (max(release_s, 1e-3) * CONTROL_HZ))
    for i, target in enumerate(active.tolist()):
        state += (target - state) * (up if target > state else down)
        out[i] = state
    return out


def spans_of(
    active: NDArray[np.bool_], *, longest_s: float, join_s: float = 0.3, least_s: float = 0.05
) -> list[list[float]]:
    """Turn a boolean control curve into [[start_s, end_s], ...], joining gaps shorter than ``join_s``."""
    flags = np.concatenate([[False], active, [False]]).astype(int)
    edges = np.flatnonzero(np.diff(flags))
    spans: list[list[float]] = []
    for start, end in zip(edges[::2] / CONTROL_HZ, edges[1::2] / CONTROL_HZ, strict=True):
        if spans and start - spans[-1][1] < join_s:
            spans[-1][1] = float(end)
        else:
            spans.append([float(start), float(end)])
    spans = [[round(a, 3), round(min(b, longest_s), 3)] for a, b in spans]
    return [span for span in spans if span[1] - span[0] >= least_s]
