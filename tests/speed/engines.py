"""Plain engines with known speed for the tests of the speed room: sums of orders over falling noise."""

from __future__ import annotations

import numpy as np

from audiodiag.records import Clip, FloatArray

RATE = 16000


def engine(
    time_s: FloatArray,
    rpm: FloatArray,
    *,
    cylinders: int,
    seed: int,
    half_db: float = -12.0,
    snr_db: float = 10.0,
    cut_below_hz: float = 0.0,
    rate: int = RATE,
) -> FloatArray:
    """Sum firing multiples and, ``half_db`` below them, the other half orders, in pink-like noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(time_s[-1] * rate)) / rate
    speed = np.interp(t, time_s, rpm) / 60.0
    revs = np.cumsum(speed) / rate
    sound = np.zeros(len(t))
    for half in range(1, 6 * cylinders + 1):
        level = -4.0 * np.log2(max(half / cylinders, 0.5)) + rng.normal(0, 2)
        level += 0.0 if half % cylinders == 0 else half_db
        heard = (half / 2 * speed > cut_below_hz) & (half / 2 * speed < 0.45 * rate)
        sound += heard * 10 ** (level / 20) * np.cos(2 * np.pi * (half / 2 * revs + rng.random()))
    spectrum = np.fft.rfft(rng.standard_normal(len(t)))
    hz = np.fft.rfftfreq(len(t), 1 / rate)
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 30.0)), len(t))
    noise *= np.std(sound) / np.std(noise) * 10 ** (-snr_db / 20)
    mixed = sound + noise
    return (0.1 * mixed / np.std(mixed)).astype(np.float32)


def idle(
    duration_s: float, rpm: float, *, swing: float = 15.0, seed: int = 0
) -> tuple[FloatArray, FloatArray]:
    """Idle that hunts slowly: time_s every 0.1 s and rpm."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, duration_s + 0.05, 0.1)
    return time_s, rpm + swing * np.sin(2 * np.pi * 0.3 * time_s + rng.uniform(0, 6))


def clip_of(samples: FloatArray, rate: int = RATE) -> Clip:
    """Wrap samples as a clip."""
    return Clip(samples, rate, "planted", "", "pcm_s16le")
