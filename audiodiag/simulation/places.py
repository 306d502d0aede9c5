"""What is heard where no machine runs: fire, water, animals, crowds, signals, drums, hands at work.

Sounds for the measure of strangeness, each drawn in several structural ways. Ranges are common practice or
assumptions without a published source.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .machines import Maker
from .signals import (
    CONTROL_HZ,
    COSINE,
    control_count,
    convolve,
    deposit,
    modes_kernel,
    on_samples,
    ramp_gate,
    shaped_noise,
    turn_table,
    turns_of,
    uniform_log,
    unit,
    walk,
)
from .surroundings import background

__all__ = ["PLACES"]


def _hits(rng: np.random.Generator, n: int, rate: int, often: float, spread: float) -> FloatArray:
    """Strikes at random instants, so many a second, of log-normal strength; shape (n,)."""
    number = int(rng.poisson(often * n / rate)) + 1
    return deposit(n, rng.random(number) * n, np.exp(rng.normal(0, spread, number)))


def _fire(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Crackle over the low flutter of flames; a torch that roars; a frying pan."""
    way = str(rng.choice(["wood", "torch", "pan"]))
    m = control_count(n, rate)
    body = modes_kernel(rng, rate, count=10, low_hz=400, high_hz=9000, quality=(1, 8), longest_s=0.02)
    if way == "torch":
        roar = shaped_noise(rng, n, rate, [(60, -10), (300, 0), (3000, -3), (10000, -12), (20000, -30)])
        return roar * on_samples(np.exp(walk(rng, m, 0.05, 0.2)), n, rate)
    often = uniform_log(rng, 3, 60) if way == "wood" else uniform_log(rng, 150, 1500)
    crackle = unit(convolve(_hits(rng, n, rate, often, 1.0), body))
    flames = shaped_noise(rng, n, rate, [(20, 0), (150, -2), (700, -15), (5000, -40), (20000, -60)])
    flames = flames * on_samples(np.exp(walk(rng, m, 0.08, 0.6)), n, rate)
    return crackle + np.float32(rng.uniform(0.1, 1.5)) * flames


def _water(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Waves on a shore, a brook of ringing bubbles, drips, a boiling kettle."""
    way = str(rng.choice(["waves", "brook", "drips", "kettle"]))
    m = control_count(n, rate)
    if way == "waves":
        swell = (
            0.1
            + np.clip(np.sin(2 * np.pi * np.cumsum(np.full(m, rng.uniform(0.08, 0.3))) / CONTROL_HZ), 0, 1)
            ** 2
        )
        surf = shaped_noise(rng, n, rate, [(40, -3), (300, 0), (2000, -5), (8000, -18), (20000, -40)])
        return surf * on_samples(swell * np.exp(walk(rng, m, 0.5, 0.2)), n, rate)
    if way == "kettle":
        boil = shaped_noise(rng, n, rate, [(80, -8), (400, 0), (1500, -10), (6000, -25), (20000, -50)])
        rumble = on_samples(np.exp(walk(rng, m, 0.03, 0.5)), n, rate)
        whistle = turn_table(
            turns_of(rng.uniform(1500, 3500) * (1 + walk(rng, m, 0.5, 0.01)), n, rate), COSINE
        )
        return boil * rumble + np.float32(rng.uniform(0, 0.7)) * whistle
    sound = np.zeros(n, np.float32)
    often = uniform_log(rng, 30, 200) if way == "brook" else uniform_log(rng, 1, 6)
    for _ in range(12):
        hz = uniform_log(rng, 400, 4000)
        t = np.arange(int(0.03 * rate)) / rate
        ring = np.exp(-t * rng.uniform(80, 300)) * np.sin(
            2 * np.pi * (hz * t + hz * rng.uniform(0, 8) * t**2)
        )
        sound += convolve(_hits(rng, n, rate, often / 12, 0.7), ring.astype(np.float32))
    rush = shaped_noise(rng, n, rate, [(100, -15), (700, 0), (4000, -6), (20000, -30)])
    return unit(sound) + np.float32(rng.uniform(0.05, 1.0 if way == "brook" else 0.2)) * rush


def _animals(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Barking, crickets, frogs, bees, a cat that purrs."""
    way = str(rng.choice(["barks", "crickets", "frogs", "bees", "purr"]))
    m = control_count(n, rate)
    time = np.arange(n) / rate
    if way == "crickets":
        sound = np.zeros(n, np.float32)
        for _ in range(int(rng.integers(1, 6))):
            beat = (time * rng.uniform(15, 60) + rng.random()) % 1.0
            song = ((time * rng.uniform(0.8, 3) + rng.random()) % 1.0) < rng.uniform(0.3, 1.0)
            tone = turn_table(turns_of(np.full(m, rng.uniform(2500, 6500)), n, rate), COSINE)
            sound += (tone * np.sin(np.pi * beat) ** 2 * song).astype(np.float32) * np.float32(
                rng.uniform(0.2, 1)
            )
        return sound
    if way == "bees":
        sound = np.zeros(n, np.float32)
        for _ in range(int(rng.integers(3, 12))):
            phase = turns_of(rng.uniform(130, 280) * (1 + walk(rng, m, 0.3, 0.05)), n, rate)
            loud = on_samples(np.exp(walk(rng, m, 0.5, 1.0)), n, rate)
            sound += loud * sum(turn_table(phase * k, COSINE) * np.float32(1 / k) for k in range(1, 8))
        return sound
    if way == "purr":
        phase = turns_of(rng.uniform(20, 30) * (1 + walk(rng, m, 0.3, 0.03)), n, rate)
        pulse = np.exp(-((((phase % 1.0) - 0.5) / 0.15) ** 2)).astype(np.float32)
        breath = 0.3 + np.clip(np.sin(2 * np.pi * time * rng.uniform(0.3, 0.6)), 0, 1)
        fur = shaped_noise(rng, n, rate, [(40, 0), (300, -4), (1200, -18), (6000, -45), (20000, -60)])
        return fur * pulse * breath.astype(np.float32)
    often = rng.uniform(0.8, 3) if way == "barks" else rng.uniform(1, 5)
    times = np.cumsum(rng.exponential(1 / often, 200) + 0.2)
    low, high, length = (250, 900, 0.15) if way == "barks" else (500, 2500, 0.3)
    t = np.arange(int(length * rate)) / rate
    hz = rng.uniform(low, high) * (1 + 0.4 * np.sin(np.pi * t / length))
    call = sum(np.sin(2 * np.pi * k * np.cumsum(hz) / rate) / k**0.7 for k in range(1, 9))
    call = call * np.sin(np.pi * t / length) * (1 if way == "barks" else np.sin(2 * np.pi * 30 * t) ** 2)
    return convolve(deposit(n, times * rate, np.exp(rng.normal(0, 0.3, 200))), np.asarray(call, np.float32))


def _crowd(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Many voices, applause, a stadium."""
    way = str(rng.choice(["voices", "applause", "stadium"]))
    m = control_count(n, rate)
    if way == "applause":
        body = modes_kernel(rng, rate, count=8, low_hz=500, high_hz=4000, quality=(1, 5), longest_s=0.03)
        return convolve(_hits(rng, n, rate, uniform_log(rng, 30, 800), 0.5), body)
    sound = sum(
        background("speech", np.random.default_rng(int(s)), n, rate) for s in rng.integers(0, 2**31, 5)
    )
    sound = np.asarray(sound, np.float32)
    if way == "stadium":
        roar = shaped_noise(rng, n, rate, [(80, -15), (400, 0), (1500, -3), (4000, -18), (20000, -45)])
        sound = unit(sound) + np.float32(rng.uniform(1, 4)) * roar * on_samples(
            np.exp(walk(rng, m, 1.0, 0.6)), n, rate
        )
    return sound


def _signals(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Siren, alarm, bell, reversing beeper, horn."""
    way = str(rng.choice(["siren", "alarm", "bell", "beeper", "horn"]))
    time = np.arange(n) / rate
    street = background("street", rng, n, rate) * np.float32(uniform_log(rng, 0.02, 0.6))
    if way == "bell":
        times = np.arange(rng.uniform(0, 1), n / rate, rng.uniform(0.15, 2.5))
        body = modes_kernel(rng, rate, count=9, low_hz=300, high_hz=6000, quality=(80, 900), longest_s=1.0)
        return unit(convolve(deposit(n, times * rate, np.ones(len(times))), body)) + street
    pace = rng.uniform(0.2, 4)
    swing = (
        np.sin(2 * np.pi * pace * time) if rng.random() < 0.5 else np.sign(np.sin(2 * np.pi * pace * time))
    )
    base = rng.uniform(400, 2800)
    hz = base * (1 + rng.uniform(0.05, 0.4) * swing) if way in {"siren", "alarm"} else np.full(n, base)
    on = (
        np.ones(n) if way in {"siren", "horn"} else (np.sin(2 * np.pi * pace * time) > rng.uniform(-0.5, 0.5))
    )
    phase = np.cumsum(hz) / rate
    count = int(rng.integers(1, 8))
    sound = sum(turn_table(phase * k, COSINE) * np.float32(k**-1.0) for k in range(1, count + 1))
    return unit(np.asarray(sound * on, np.float32)) + street


def _drums(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """A beat of drums, a bass that drones, plucked strings."""
    way = str(rng.choice(["drums", "bass", "plucked"]))
    beat = 60 / rng.uniform(70, 180)
    m = control_count(n, rate)
    if way == "bass":
        steps = rng.choice([0, 2, 3, 5, 7], int(n / rate / beat) + 2)
        hz = np.repeat(rng.uniform(35, 80) * 2.0 ** (steps / 12), int(beat * CONTROL_HZ) + 1)[:m]
        phase = turns_of(np.pad(hz, (0, max(m - len(hz), 0)), mode="edge"), n, rate)
        saw = sum(turn_table(phase * k, COSINE) * np.float32(1 / k) for k in range(1, 20))
        return np.asarray(saw * np.float32(0.6) + turn_table(phase * 1.005, COSINE), np.float32)
    sound = np.zeros(n, np.float32)
    for low, high, quality, part in ((45, 90, (2, 6), 1), (180, 500, (2, 6), 2), (4000, 11000, (1, 4), 4)):
        times = np.arange(rng.uniform(0, beat), n / rate, beat / part * float(rng.choice([1, 2])))
        if way == "plucked":
            low, high, quality = 150, 1500, (40, 200)
        body = modes_kernel(rng, rate, count=5, low_hz=low, high_hz=high, quality=quality, longest_s=0.4)
        loud = np.exp(rng.normal(0, 0.4, len(times)))
        sound += np.float32(rng.uniform(0.3, 1)) * unit(convolve(deposit(n, times * rate, loud), body))
    return sound


def _hands(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Footsteps, typing, sawing or sweeping, rustle in a pocket."""
    way = str(rng.choice(["steps", "typing", "strokes", "rustle"]))
    m = control_count(n, rate)
    if way in {"steps", "typing"}:
        often = rng.uniform(1.4, 2.6) if way == "steps" else rng.uniform(3, 9)
        times = np.cumsum(np.abs(rng.normal(1 / often, 0.05 if way == "steps" else 0.09, 400)))
        top = 2500 if way == "steps" else 8000
        body = modes_kernel(rng, rate, count=10, low_hz=80, high_hz=top, quality=(1, 7), longest_s=0.1)
        sound = unit(convolve(deposit(n, times * rate, np.exp(rng.normal(0, 0.3, 400))), body))
        room = shaped_noise(rng, n, rate, [(30, 0), (300, -8), (3000, -25), (20000, -50)])
        return sound + np.float32(uniform_log(rng, 0.01, 0.3)) * room
    if way == "strokes":
        swing = np.abs(
            np.sin(np.pi * np.cumsum(np.full(m, rng.uniform(1.2, 4))) / CONTROL_HZ)
        ) ** rng.uniform(0.5, 2)
        scrape = shaped_noise(rng, n, rate, [(150, -15), (1200, 0), (5000, -3), (12000, -15), (20000, -35)])
        return scrape * on_samples(swing * np.exp(walk(rng, m, 0.3, 0.2)), n, rate)
    gust = ramp_gate((walk(rng, m, 0.15, 1.0) > 0.2).astype(float), 0.02, 0.1) * np.exp(
        walk(rng, m, 0.05, 0.8)
    )
    cloth = shaped_noise(rng, n, rate, [(20, 0), (200, -5), (1500, -8), (7000, -15), (20000, -35)])
    return cloth * on_samples(gust + 0.01, n, rate)


PLACES: dict[str, Maker] = {
    "fire": _fire,
    "water": _water,
    "animals": _animals,
    "crowd": _crowd,
    "signals": _signals,
    "drums": _drums,
    "hands": _hands,
}
"""Sounds without any machine, by name."""
