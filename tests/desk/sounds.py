"""Sounds for the browser's microphone: clips at one rate, and noises that are no engine."""

from __future__ import annotations

from functools import cache
from math import gcd

import numpy as np
from scipy.signal import resample_poly

from audiodiag.records import Clip
from audiodiag.simulation.elsewhere import simulate_not_engine
from audiodiag.simulation.settings import SimulatedClip

RATE_HZ = 48000
LASTS_S = 6.0


def at_rate(clip: Clip | SimulatedClip, most_s: float = 60.0) -> np.ndarray:
    """Samples of a clip at 48 kHz, as a browser's microphone gives them."""
    common = gcd(RATE_HZ, clip.sample_rate_hz)
    samples = np.asarray(clip.samples[: round(most_s * clip.sample_rate_hz)], dtype=float)
    return resample_poly(samples, RATE_HZ // common, clip.sample_rate_hz // common)


@cache
def noises() -> dict[str, tuple[np.ndarray, str]]:
    """Noises by name, each with the word that the light has to say of it most of the time."""
    rng = np.random.default_rng(17)
    count = round(LASTS_S * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    white = rng.standard_normal(count)
    frequency_hz = np.maximum(np.fft.rfftfreq(count, 1 / RATE_HZ), 10.0)
    made = {"silence": (np.zeros(count), "quiet"), "whisper": (0.0003 * white, "quiet")}
    for name, slope in (("white", 0.0), ("pink", 0.5), ("brown", 1.0)):
        shaped = np.fft.irfft(np.fft.rfft(white) / frequency_hz**slope, count)
        made[name] = (0.1 * shaped / shaped.std(), "no_engine")
    for mains_hz in (50, 60):
        hum = sum(np.sin(2 * np.pi * mains_hz * k * time_s) / k for k in (1, 2, 3, 5))
        made[f"hum of {mains_hz} Hz"] = (0.05 * hum + 0.002 * white, "no_engine")
    made["speech"] = (_speech(rng, time_s), "no_engine")
    for name in ("rain", "wind", "speech", "birds", "hammer", "clock"):
        for seed in range(2):
            clip = simulate_not_engine(4_400_000 + seed, kind=name, duration_s=LASTS_S)
            made[f"{name} {seed}, simulated"] = (at_rate(clip), "no_engine")
    return made


def _speech(rng: np.random.Generator, time_s: np.ndarray) -> np.ndarray:
    """Speech-like: syllables of a voice whose pitch moves, with pauses between the words."""
    pitch_hz = 120 + 30 * np.sin(2 * np.pi * 0.7 * time_s) + 15 * np.sin(2 * np.pi * 2.3 * time_s)
    phase = np.cumsum(pitch_hz) / RATE_HZ
    voice = sum(np.cos(2 * np.pi * k * phase) / k for k in range(1, 20))
    syllables = np.clip(np.sin(2 * np.pi * 4 * time_s), 0, 1) * (np.sin(2 * np.pi * 0.55 * time_s) > -0.5)
    return 0.1 * voice * syllables + 0.001 * rng.standard_normal(len(time_s))
