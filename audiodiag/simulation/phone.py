"""The way to the microphone and what the phone does: room, response, gain control, noise gate, clipping."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .signals import CONTROL_HZ, on_samples, uniform_log, walk

__all__ = [
    "clip_hard_or_soft",
    "gain_control",
    "held_by_hand",
    "noise_suppression",
    "path_kernel",
    "phone_kernel",
]


HAND_SMOOTH_S = 0.08
"""A hand moves no faster than so."""


def path_kernel(rng: np.random.Generator, rate: int, *, tail_s: float, wet: float) -> FloatArray:
    """Draw the way from one source to the microphone: direct sound, early reflections, a decaying tail."""
    n = int(max(tail_s * 1.2, 0.02) * rate)
    kernel = np.zeros(n)
    kernel[0] = 1.0
    for _ in range(int(rng.integers(2, 7))):
        # A reflection off a rough engine is smeared, the more the later.
        delay = uniform_log(rng, 0.0004, 0.015)
        width = max(5, int(delay * rng.uniform(0.1, 0.5) * rate))
        start = min(int(delay * rate), n - width)
        smear = rng.standard_normal(width) * np.hanning(width + 2)[1:-1]
        kernel[start : start + width] += rng.uniform(0.03, 0.35) * smear / (np.sqrt(np.sum(smear**2)) + 1e-12)
    if wet > 0:
        t = np.arange(n) / rate
        tail = rng.standard_normal(n) * np.exp(-6.9 * t / tail_s)
        tail = np.convolve(tail, [0.25, 0.5, 0.25])[:n]
        kernel += wet * tail / (np.sqrt(np.sum(tail**2)) + 1e-20)
    return kernel.astype(np.float32)


def phone_kernel(rng: np.random.Generator, rate: int, *, high_pass_hz: float, rough_db: float) -> FloatArray:
    """Draw the phone's response as a causal kernel: high-pass, uneven response, falling top."""
    bins = 4096
    hz = np.maximum(np.arange(bins + 1) * rate / 2 / bins, 1.0)
    octave = np.log2(hz / 1000)
    knots = np.linspace(np.log2(0.02), np.log2(24), 12)
    level = np.interp(octave, knots, rng.normal(0, rough_db, 12))
    for _ in range(int(rng.integers(0, 3))):
        level += rng.uniform(-6, 9) * np.exp(-(((octave - rng.uniform(-1, 4)) / rng.uniform(0.1, 0.5)) ** 2))
    level += rng.uniform(-1.5, 1.0) * octave
    level -= 10 * np.log10(1 + (high_pass_hz / hz) ** (2 * int(rng.integers(1, 4))))
    # Causal (minimum phase) from the magnitude by the folded cepstrum.
    log_magnitude = np.maximum(level, -90) * np.log(10) / 20
    cepstrum = np.fft.irfft(log_magnitude)
    cepstrum[1:bins] *= 2
    cepstrum[bins + 1 :] = 0
    kernel = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)))
    return kernel[:4096].astype(np.float32)


def held_by_hand(rng: np.random.Generator, samples: FloatArray, rate: int) -> FloatArray:
    """Let the hand sway that holds the phone: what it hears grows and falls, the highs most, also at once.

    The highs turn with the phone: a microphone in its edge hears them from the front, and a hand, a sleeve
    or the bonnet shades them.
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import lfilter

    n = len(samples)
    count = int(n / rate * CONTROL_HZ) + 2
    smooth = HAND_SMOOTH_S * CONTROL_HZ
    near_db = gaussian_filter1d(walk(rng, count, uniform_log(rng, 0.8, 8), uniform_log(rng, 0.1, 2)), smooth)
    tilt_db = gaussian_filter1d(walk(rng, count, uniform_log(rng, 0.5, 6), uniform_log(rng, 0.2, 3)), smooth)
    if rng.random() < 0.35:
        time_s = np.arange(count) / CONTROL_HZ
        for _ in range(int(rng.integers(1, 4))):
            at, quick = rng.uniform(0, n / rate), uniform_log(rng, 0.1, 0.8)
            tilt_db += rng.normal(0, 3) / (1 + np.exp(-np.clip((time_s - at) / quick * 4, -30, 30)))
    corner = np.exp(-2 * np.pi * uniform_log(rng, 700, 5000) / rate)
    lows = lfilter([1 - corner], [1, -corner], samples).astype(np.float32)
    shade = on_samples(10 ** (tilt_db / 20), n, rate)
    nearer = on_samples(10 ** (near_db / 20), n, rate)
    return np.asarray((lows + (samples - lows) * shade) * nearer, np.float32)


def gain_control(rng: np.random.Generator, samples: FloatArray, rate: int) -> FloatArray:
    """Follow the level and pull it to a target with a drawn attack, release and strength."""
    block = rate // 100
    n = len(samples)
    blocks = n // block
    level = np.sqrt(np.mean(samples[: blocks * block].reshape(blocks, block) ** 2, axis=1)) + 1e-7
    attack, release = uniform_log(rng, 0.01, 0.3), uniform_log(rng, 0.2, 4.0)
    strength = rng.uniform(0.2, 0.9)
    up, down = 1 - np.exp(-0.01 / attack), 1 - np.exp(-0.01 / release)
    state, followed = float(np.median(level)), []
    for value in level.tolist():
        state += (value - state) * (up if value > state else down)
        followed.append(state)
    gain = (np.array(followed) / np.median(level)) ** -strength
    at = (np.arange(blocks) + 0.5) * block
    return samples * np.interp(np.arange(n), at, np.clip(gain, 0.02, 20)).astype(np.float32)


def noise_suppression(rng: np.random.Generator, samples: FloatArray, rate: int) -> FloatArray:
    """Suppress what is steady, frame by frame and band by band, as phones do for speech."""
    from scipy.ndimage import uniform_filter

    size = 1 << int(np.ceil(np.log2(rate * rng.uniform(0.016, 0.032))))
    hop = size // 2
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    padded = np.concatenate([np.zeros(hop, np.float32), samples, np.zeros(2 * size, np.float32)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
    spectrum = np.fft.rfft(frames, axis=1).astype(np.complex64)
    level = np.abs(spectrum) ** 2
    smooth = uniform_filter(level, (3, 3))
    floor = np.percentile(smooth[:: max(1, len(smooth) // 200)], rng.uniform(10, 50), axis=0)
    over = uniform_log(rng, 0.4, 1.5)
    gain = np.maximum(1 - over * floor / (smooth + 1e-20), 10 ** (-rng.uniform(6, 18) / 20))
    if rng.random() < 0.5:
        gain = uniform_filter(gain, (int(rng.integers(1, 8)), 3))
    out_frames = np.fft.irfft(spectrum * gain, size, axis=1).astype(np.float32) * window
    out = np.zeros(len(padded) + size, np.float32)
    even, odd = out_frames[::2].ravel(), out_frames[1::2].ravel()
    out[: len(even)] += even
    out[hop : hop + len(odd)] += odd
    return out[hop : hop + len(samples)]


def clip_hard_or_soft(rng: np.random.Generator, samples: FloatArray) -> FloatArray:
    """Overdrive the input: soft (tanh) or hard."""
    top = float(np.percentile(np.abs(samples), rng.uniform(96, 99.8))) + 1e-9
    if rng.random() < 0.5:
        return (np.tanh(samples / top) * top).astype(np.float32)
    return np.clip(samples, -top, top)
