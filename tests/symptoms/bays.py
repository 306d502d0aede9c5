"""Plain engine bays for the tests: an engine of our own and one planted sound at a time."""

from __future__ import annotations

import numpy as np
from scipy.signal import istft, stft

from audiodiag.records import Clip, FloatArray, Quality, SpeedTrace

RATE = 32000
SECONDS = 10.0
BASE_RPM = 780.0


def moments() -> FloatArray:
    return np.arange(int(RATE * SECONDS)) / RATE


def speed_rpm(time_s: FloatArray) -> FloatArray:
    """Idle that wanders a little."""
    return BASE_RPM * (
        1 + 0.012 * np.sin(2 * np.pi * 0.23 * time_s) + 0.004 * np.sin(2 * np.pi * 0.71 * time_s)
    )


def turns() -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(speed_rpm(moments())[:-1])]) / 60.0 / RATE


def coloured(rng: np.random.Generator, count: int, low_hz: float, high_hz: float) -> FloatArray:
    """Noise of unit power between two frequencies."""
    lines = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1 / RATE)
    lines[(hz < low_hz) | (hz > high_hz)] = 0.0
    noise = np.fft.irfft(lines, count)
    return noise / np.sqrt(np.mean(noise**2))


def engine(seed: int = 1) -> FloatArray:
    """Firing at order 2 with half orders, breathing noise and a floor; power about 1."""
    rng = np.random.default_rng(seed)
    angle = turns()
    sound = np.zeros(len(angle))
    for k in range(1, 60):
        level = 0.7 / (1 + 0.12 * k) * (1.0 if k % 4 == 0 else 0.25)
        sound += level * np.cos(2 * np.pi * (0.5 * k * angle + rng.random()))
    breath = coloured(rng, len(angle), 60.0, 12000.0)
    lines = np.fft.rfft(breath) / (1 + np.fft.rfftfreq(len(angle), 1 / RATE) / 500.0)
    breath = np.fft.irfft(lines, len(angle))
    breath /= np.sqrt(np.mean(breath**2))
    sound += 0.5 * breath * (1 + 0.5 * np.cos(2 * np.pi * 2 * angle)) + 0.02 * rng.standard_normal(len(angle))
    return sound / np.sqrt(np.mean(sound**2))


def stretch(start_s: float, end_s: float, edge_s: float = 0.05) -> FloatArray:
    t = moments()
    return np.clip((t - start_s) / edge_s, 0, 1) * np.clip((end_s - t) / edge_s, 0, 1)


def whine(order: float = 11.3) -> FloatArray:
    angle = turns()
    tone = sum(np.cos(2 * np.pi * k * order * angle + k) / k for k in (1, 2, 3))
    tone = tone * (1 + 0.9 * np.cos(2 * np.pi * 1.13 * angle))
    return 0.35 * tone * (0.3 + 0.7 * np.maximum(stretch(2, 4, 0.3), stretch(6, 8.5, 0.3)))


def groan(seed: int = 2) -> FloatArray:
    rng = np.random.default_rng(seed)
    angle = turns()
    noise = coloured(rng, len(angle), 150.0, 6000.0)
    walk = np.interp(moments(), np.arange(168) * 0.06, rng.standard_normal(168))
    beat = np.maximum(
        1 + 0.7 * np.cos(2 * np.pi * 1.17 * angle) + 0.6 * np.cos(2 * np.pi * 2.34 * angle), 0.05
    )
    return 0.9 * noise * beat * np.exp(0.5 * walk) * np.maximum(stretch(2, 4.5, 0.2), stretch(7, 9, 0.2))


def squeal(seed: int = 3) -> FloatArray:
    rng = np.random.default_rng(seed)
    steps = np.cumsum(rng.standard_normal(501)) * 12.0
    hz = 3100.0 + np.interp(moments(), np.arange(501) * 0.02, steps - np.linspace(0, steps[-1], 501))
    phase = np.cumsum(hz) / RATE
    tone = np.cos(2 * np.pi * phase) + 0.4 * np.cos(4 * np.pi * phase)
    return 0.3 * tone * np.maximum(stretch(2.5, 3.6), stretch(7, 7.8))


def rough_squeal(seed: int = 9) -> FloatArray:
    """A tone whose strength flickers so fast that it fills a few per cent of its pitch."""
    rng = np.random.default_rng(seed)
    flicker = np.abs(coloured(rng, len(moments()), 20.0, 250.0))
    tone = np.cos(2 * np.pi * 2600.0 * moments() + 0.6 * coloured(rng, len(moments()), 20.0, 120.0))
    return 0.3 * tone * flicker * np.maximum(stretch(2.5, 3.6), stretch(7, 8.4))


def chime() -> FloatArray:
    """A dashboard chime: a tone that holds its pitch to the hertz, on and off."""
    return 0.3 * np.cos(2 * np.pi * 3000.0 * moments()) * np.maximum(stretch(2.5, 3.6), stretch(7, 7.8))


def chirp(order: float = 0.31, seed: int = 4) -> FloatArray:
    rng = np.random.default_rng(seed)
    angle, t = turns(), moments()
    sound = np.zeros(len(t))
    count = int(0.05 * RATE)
    for n in range(int(angle[-1] * order)):
        start = int(np.searchsorted(angle, (n + 0.4) / order))
        burst = np.hanning(min(count, len(t) - start))
        pitch = 2 * np.pi * 5200.0 * np.arange(len(burst)) / RATE
        noise = 0.4 * rng.standard_normal(len(burst))
        sound[start : start + len(burst)] += 0.5 * burst * (np.cos(pitch) + noise)
    return sound


def ticks() -> FloatArray:
    """Valve gear: short ticks at order 2, four a cycle."""
    angle = turns()
    sound = np.zeros(len(angle))
    ring = np.exp(-np.arange(200) / 40.0) * np.cos(2 * np.pi * 5000.0 * np.arange(200) / RATE)
    for n in range(int(angle[-1] * 2)):
        start = int(np.searchsorted(angle, (n + 0.3) / 2.0))
        sound[start : start + 200] += 0.6 * ring[: len(sound) - start]
    return sound


def hiss(seed: int = 5) -> FloatArray:
    noise = coloured(np.random.default_rng(seed), len(moments()), 1500.0, 11000.0)
    return 0.5 * noise * np.maximum(stretch(3, 4.6), stretch(7.2, 8.6))


def growl(order: float = 4.77, seed: int = 6, *, slip: float = 0.0) -> FloatArray:
    """Strikes that ring; slip: by how much each gap strays, a share of it."""
    rng = np.random.default_rng(seed)
    angle = turns()
    strays = slip * np.cumsum(np.random.default_rng(seed + 100).standard_normal(int(angle[-1] * order) + 1))
    sound = np.zeros(len(angle))
    ring = np.exp(-np.arange(400) / 60.0) * np.cos(2 * np.pi * 2600.0 * np.arange(400) / RATE)
    for n in range(int(angle[-1] * order)):
        start = min(int(np.searchsorted(angle, (n + 0.3 + strays[n]) / order)), len(angle) - 1)
        strength = (1 + 0.5 * np.cos(2 * np.pi * 1.13 * angle[start])) * np.exp(0.2 * rng.standard_normal())
        sound[start : start + 400] += 0.7 * strength * ring[: len(sound) - start]
    return sound


def draught(order: float = 4.77, seed: int = 7) -> FloatArray:
    """Air that blades stir: noise of all bands that swells as smoothly as a sine."""
    noise = coloured(np.random.default_rng(seed), len(moments()), 300.0, 9000.0)
    return 0.5 * noise * (1 + 0.6 * np.cos(2 * np.pi * order * turns()))


def with_holes(sound: FloatArray, rate: int = RATE, seed: int = 11) -> FloatArray:
    """Leave out six in ten of the half kilohertz above 5 kHz, for 16 ms each, as a coder that saves bits."""
    rng = np.random.default_rng(seed)
    hertz, time_s, lines = stft(sound, rate, nperseg=1024, noverlap=512)
    for low_hz in np.arange(5000.0, rate / 2, 500.0):
        band = (hertz >= low_hz) & (hertz < low_hz + 500.0)
        lines[np.ix_(band, rng.random(len(time_s)) < 0.6)] = 0.0
    return np.asarray(istft(lines, rate, nperseg=1024, noverlap=512)[1][: len(sound)])


def clip_of(sound: FloatArray, rate: int = RATE) -> Clip:
    return Clip(np.asarray(0.05 * sound, np.float32), rate, "simulated", "", "pcm")


def quality(top_hz: float = RATE / 2) -> Quality:
    return Quality(True, (), (40.0, top_hz))


def trace(known: bool = True, seconds: float = SECONDS) -> SpeedTrace:
    time = np.arange(0.0, seconds, 0.1)
    rpm = speed_rpm(time) if known else np.full(len(time), np.nan)
    source = "acoustic" if known else "none"
    return SpeedTrace(source, 0.9, time, rpm, rpm * 0.99, rpm * 1.01, np.ones(len(time)), 4, "heard")  # type: ignore[arg-type]
