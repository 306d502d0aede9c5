"""What else is in the yard: street, wind, rain, speech, music, chimes, a passing car, bumps of the hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from audiodiag.records import FloatArray

from .signals import (
    CONTROL_HZ,
    COSINE,
    convolve,
    deposit,
    modes_kernel,
    on_samples,
    power,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["BACKGROUNDS", "background"]


def background(name: str, rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Make one surrounding sound of unit power, float32 shape (n,)."""
    sound = BACKGROUNDS[name](rng, n, rate)
    return sound / np.float32(np.sqrt(power(sound)) + 1e-20)


def _count(n: int, rate: int) -> int:
    return int(n / rate * CONTROL_HZ) + 2


def _gain(rng: np.random.Generator, n: int, rate: int, tau_s: float, depth: float) -> FloatArray:
    return on_samples(np.exp(walk(rng, _count(n, rate), tau_s, depth)), n, rate)


def _street(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    low = rng.uniform(60, 200)
    noise = shaped_noise(
        rng, n, rate, [(20, -8), (low, 0), (1000, rng.uniform(-14, -4)), (4000, -22), (20000, -45)]
    )
    return noise * _gain(rng, n, rate, rng.uniform(1, 4), 0.5)


def _wind(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    steep = rng.uniform(-12, -6)
    noise = shaped_noise(rng, n, rate, [(15, 0), (60, 0), (60 * 2**6, steep * 6), (20000, steep * 8)])
    gusts = np.exp(walk(rng, _count(n, rate), rng.uniform(0.2, 1.2), rng.uniform(0.6, 1.3)))
    sound = noise * on_samples(gusts, n, rate)
    return np.tanh(sound * np.float32(rng.uniform(0.2, 1.2)))


def _rain(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    hiss = shaped_noise(rng, n, rate, [(100, -25), (800, -6), (3000, 0), (9000, -3), (20000, -15)])
    drops = rng.random(n, dtype=np.float32) < uniform_log(rng, 10, 300) / rate
    where = np.flatnonzero(drops)
    train = deposit(n, where.astype(float), np.exp(rng.normal(0, 0.8, len(where))))
    body = modes_kernel(rng, rate, count=12, low_hz=300, high_hz=7000, quality=(2, 15), longest_s=0.03)
    return hiss + np.float32(uniform_log(rng, 3, 30)) * convolve(train, body)


def _passing_car(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    t = np.arange(n) / rate
    near, width = rng.uniform(0, t[-1]), rng.uniform(0.8, 3)
    loud = 1 / (1 + ((t - near) / width) ** 2)
    noise = shaped_noise(rng, n, rate, [(40, 0), (200, 0), (1000, 0), (2500, -10), (12000, -40)])
    hz = rng.uniform(60, 160) * (1 - 0.05 * np.tanh((t - near) / width))
    phase = np.cumsum(hz) / rate
    tone = sum(np.float32(rng.uniform(0.1, 0.5) / k) * turn_table(phase * k, COSINE) for k in range(1, 7))
    return ((noise + tone) * loud).astype(np.float32)


def _speech(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Syllables: a glottal pulse train or breath noise through three moving-in-steps formants."""
    m = _count(n, rate)
    pitch = rng.uniform(85, 240) * np.exp(walk(rng, m, 0.3, 0.15))
    phase = np.cumsum(on_samples(pitch, n, rate).astype(np.float64)) / rate
    glottis = np.maximum(turn_table(phase, COSINE), 0) ** 3
    out = np.zeros(n, np.float32)
    now = rng.uniform(0, 1)
    while now * rate < n - 0.1 * rate:
        length = rng.uniform(0.08, 0.32)
        start, count = int(now * rate), min(int(length * rate), n - int(now * rate))
        voiced = rng.random() < 0.8
        source = glottis[start : start + count] if voiced else rng.standard_normal(count, dtype=np.float32)
        low = (250, 2800) if voiced else (2500, 8000)
        body = modes_kernel(
            rng, rate, count=4, low_hz=low[0], high_hz=low[1], quality=(4, 12), longest_s=0.03
        )
        piece = np.convolve(source - source.mean(), body[: int(0.015 * rate)])[:count]
        envelope = np.sin(np.pi * np.arange(count) / max(count, 1)) ** 0.7
        scale = rng.uniform(0.4, 1.2) * (1.0 if voiced else 0.25) / (np.std(piece) + 1e-9)
        out[start : start + count] += (piece * envelope * scale).astype(np.float32)
        now += length * rng.uniform(0.8, 1.1) + (rng.uniform(0.3, 1.5) if rng.random() < 0.15 else 0.02)
    return out


def _music(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    out = np.zeros(n, np.float32)
    beat = rng.uniform(0.2, 0.6)
    scale = np.array([0, 2, 4, 5, 7, 9, 11, 12, 16, 19])
    root = rng.uniform(110, 330)
    for start_s in np.arange(0, n / rate, beat):
        start = int(start_s * rate)
        count = min(int(beat * rng.uniform(0.8, 2.5) * rate), n - start)
        for _ in range(int(rng.integers(1, 4))):
            hz = root * 2 ** (rng.choice(scale) / 12)
            t = np.arange(count) / rate
            fade = np.minimum(1, t / 0.01) * np.exp(-t / rng.uniform(0.15, 0.8))
            for k in range(1, 6):
                out[start : start + count] += (rng.uniform(0.2, 1) / k * fade).astype(
                    np.float32
                ) * turn_table(hz * k * t, COSINE)
        if rng.random() < 0.5:
            t = np.arange(count) / rate
            out[start : start + count] += (rng.standard_normal(count) * np.exp(-t / 0.03)).astype(np.float32)
    return out


def _chimes(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Dashboard beeps: a steady tone (often 2, 4 or 6 kHz or lower) on and off at a steady beat."""
    hz = float(rng.choice([800, 1000, 1200, 2000, 2000, 4000, 4000, 6000])) * rng.uniform(0.95, 1.05)
    period, share = rng.uniform(0.3, 1.5), rng.uniform(0.2, 0.7)
    m = _count(n, rate)
    t = np.arange(m) / CONTROL_HZ
    on = ((t / period + rng.random()) % 1.0 < share).astype(float)
    if rng.random() < 0.5:
        on *= (t > rng.uniform(0, t[-1] * 0.5)) & (t < rng.uniform(t[-1] * 0.5, t[-1]))
    if rng.random() < 0.15:
        on = np.ones(m)
    gain = on_samples(ramp_gate(on, 0.005, rng.uniform(0.005, 0.2)), n, rate)
    phase = np.arange(n) * (hz / rate)
    tone = turn_table(phase, COSINE)
    for k in (2, 3):
        if hz * k < 0.45 * rate:
            tone = tone + np.float32(rng.uniform(0, 0.5)) * turn_table(phase * k, COSINE)
    return tone * gain


def _bumps(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    where = rng.uniform(0, n, int(rng.integers(2, 14)))
    train = deposit(n, where, np.exp(rng.normal(0, 0.8, len(where))))
    body = modes_kernel(rng, rate, count=8, low_hz=30, high_hz=900, quality=(1, 6), tilt_db_per_octave=-5)
    return convolve(train, body)


def _hum(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    phase = np.arange(n) * (float(rng.choice([50.0, 60.0])) / rate)
    return sum(np.float32(rng.uniform(0, 1)) * turn_table(phase * k, COSINE) for k in (1, 2, 3, 4, 6))  # type: ignore[return-value]


def _birds(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Bird-like calls and cricket-like trills."""
    out = np.zeros(n, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        hz, length, period = uniform_log(rng, 900, 7000), rng.uniform(0.04, 0.3), rng.uniform(0.1, 1.2)
        sweep, trill = rng.normal(0, 0.3), rng.uniform(10, 60)
        for start_s in np.arange(rng.uniform(0, 1), n / rate - length, period):
            if rng.random() < 0.3:
                continue
            count = int(length * rate)
            t = np.arange(count) / rate
            angle = hz * (t + sweep * t * t / length / 2) + 0.5 * np.sin(2 * np.pi * trill * t)
            start = int(start_s * rate)
            out[start : start + count] += (turn_table(angle, COSINE) * np.hanning(count)).astype(np.float32)
    return out


BACKGROUNDS: dict[str, Callable[[np.random.Generator, int, int], FloatArray]] = {
    "street": _street,
    "wind": _wind,
    "rain": _rain,
    "passing_car": _passing_car,
    "speech": _speech,
    "music": _music,
    "chimes": _chimes,
    "bumps": _bumps,
    "hum": _hum,
    "birds": _birds,
}
"""Surrounding sounds by name."""
