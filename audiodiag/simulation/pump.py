"""Sounds of the steering pump: whine of the vanes, groan of bubbles, hiss of the relief valve."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .scene import Planted, Scene, cosine, unit
from .signals import (
    CONTROL_HZ,
    convolve,
    convolve_sum,
    deposit,
    modes_kernel,
    on_samples,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["groan", "hiss", "whine"]


def whine(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Vane passing ripple: R*z and multiples, sidebands at R; an odd z puts the first strong order at 2z.

    With an odd number of vanes the two ports of a balanced pump act half a pitch apart and the odd multiples
    cancel, but for what unequal ports leave (plain geometry).
    """
    n, m = scene.n, len(scene.load)
    rest = car.uniform(0.6, 0.95) if car.random() < 0.25 else uniform_log(car, 0.03, 0.6)
    strength = rest + (1 - rest) * scene.load ** car.uniform(0.6, 1.8)
    strength = strength * scene.relative_speed ** car.uniform(0, 1.2)
    strength = strength * np.exp(walk(rng, m, uniform_log(rng, 0.1, 1.5), car.uniform(0.05, 0.35)))
    sound = _ripple(car, scene) if variant == "ripple" else _harmonic_sum(car, scene, variant)
    body = modes_kernel(
        car,
        scene.rate,
        count=int(car.integers(4, 12)),
        low_hz=car.uniform(90, 200),
        high_hz=car.uniform(900, 4000),
        quality=(2, 18),
        tilt_db_per_octave=car.uniform(-4, 1),
        direct=car.uniform(0.1, 1.0),
        longest_s=0.06,
    )
    sound = convolve(sound, body)
    if car.random() < 0.4:
        # The ripple also shakes what it runs through: a breath of noise that beats with it.
        rush = shaped_noise(rng, n, scene.rate, [(80, -20), (400, 0), (2500, -6), (9000, -30), (30000, -50)])
        beat = 1 + turn_table(scene.pump_turns * scene.vanes, cosine(car.random()))
        sound = unit(sound) + np.float32(uniform_log(car, 0.05, 0.5)) * rush * beat
    return Planted(sound * on_samples(strength, n, scene.rate), strength)


def _ripple(car: np.random.Generator, scene: Scene) -> FloatArray:
    """Pressure over one turn of the shaft: a pulse a vane and port, none quite like the other."""
    z, size = scene.vanes, 8192
    place = np.arange(size) / size
    table = np.zeros(size)
    ports = ((0.0, 1.0), (0.5, car.uniform(0.85, 1.0))) if z % 2 else ((0.0, 1.0),)
    width = car.uniform(0.08, 0.35 if z % 2 == 0 else 0.25) / z / (2 if z % 2 else 1)
    spread, late = uniform_log(car, 0.01, 0.15), uniform_log(car, 0.002, 0.03)
    for vane in range(z):
        own = 1 + spread * car.standard_normal()
        shift = late * car.standard_normal()
        for port, share in ports:
            far = np.abs((place - (vane + port + shift) / z + 0.5) % 1.0 - 0.5)
            table += share * own * np.exp(-0.5 * (far / width) ** 2)
    return turn_table(scene.pump_turns, table - table.mean())


def _harmonic_sum(car: np.random.Generator, scene: Scene, variant: str) -> FloatArray:
    """Vane order and multiples, with runout of the shaft as amplitude and (modulated) phase swing."""
    z = scene.vanes
    leak = 10 ** (-car.uniform(14, 34) / 20) if z % 2 else 1.0
    depth = car.uniform(0, 0.5)
    swing = uniform_log(car, 0.01, 0.08) if variant == "modulated" else 0.0
    phase = scene.pump_turns + swing / z * turn_table(scene.pump_turns, cosine(car.random()))
    fall, count = car.uniform(1, 11), int(car.integers(1, 9))
    if z % 2:
        count = max(2 * count, 2)
    top_hz = scene.pulley_ratio * float(np.max(scene.driving.rpm)) / 60 * z
    sound = np.zeros(scene.n, np.float32)
    for k in range(1, count + 1):
        if k * top_hz > 0.45 * scene.rate:
            break
        level_db = -(fall * np.log2(max(k / 2, 0.5) if z % 2 else k) + car.normal(0, 3))
        level = 10 ** (level_db / 20) * (leak if z % 2 and k % 2 else 1.0)
        sound += np.float32(level) * turn_table(phase * (z * k), cosine(car.random()))
    return sound * (1 + np.float32(depth) * turn_table(scene.pump_turns, cosine(car.random())))


def groan(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Bubbles collapsing at random, more when the suction side is starved: by angle, load and speed."""
    n, m = scene.n, len(scene.load)
    rest = car.uniform(0.3, 0.9) if car.random() < 0.3 else uniform_log(car, 0.005, 0.2)
    if variant == "sawing":
        rest = uniform_log(car, 0.001, 0.05)
    strength = rest + (1 - rest) * scene.load ** car.uniform(0.4, 1.9)
    strength = strength * scene.relative_speed ** car.uniform(0, 2.0)
    strength = strength * np.exp(walk(rng, m, uniform_log(rng, 0.05, 0.8), car.uniform(0.15, 0.6)))
    if variant in {"bursts", "sawing"} and (variant == "bursts" or car.random() < 0.5):
        on = walk(rng, m, uniform_log(rng, 0.08, 0.4), 1.0) > car.uniform(-0.6, 0.8)
        strength = strength * (ramp_gate(on.astype(float), 0.02, 0.08) + 1e-4)
    gate = _suction_gate(car, scene)
    if variant == "beating_noise":
        low, high = uniform_log(car, 80, 500), uniform_log(car, 1500, 9000)
        points = [
            (low / 3, -30.0),
            (low, 0.0),
            (high, car.uniform(-12, 0)),
            (high * 2, -30.0),
            (90000.0, -60.0),
        ]
        noise = shaped_noise(rng, n, scene.rate, points)
        sound: FloatArray = noise * gate * on_samples(strength, n, scene.rate)
    else:
        sound = _bubbles(car, rng, scene, variant, strength, gate)
    if variant in {"rough_low", "sawing"} or car.random() < 0.25:
        tones = unit(_low_tones(car, rng, scene, strength, gate))
        sound = unit(sound) + np.float32(uniform_log(car, 0.15, 1.2)) * tones
    return Planted(sound, strength)


def _suction_gate(car: np.random.Generator, scene: Scene) -> FloatArray:
    """How starved the pump is over its turn (orders R, 2R, R*z) and the engine's (firing), mean about 1."""
    table = np.ones(4096, np.float32)
    for order, deepest in ((1, 0.7), (2, 0.9), (scene.vanes, 0.8)):
        table += np.float32(car.uniform(0.03, deepest)) * cosine(car.random(), multiple=order)
    gate: FloatArray = turn_table(scene.pump_turns, np.maximum(table, 0.02) ** car.uniform(0.7, 2.0))
    if car.random() < 0.4:
        depth = np.float32(car.uniform(0.1, 0.9))
        gate = gate * (1 + depth * turn_table(scene.turns * scene.cylinders / 2, cosine(car.random())))
    return gate


_GROAN_TOP_HZ = {"mid": 4000.0, "wide": 11000.0, "rough_low": 1500.0, "bursts": 8000.0, "sawing": 8000.0}
_GROAN_WEIGHTS = {
    "mid": (1.0, 1.0, 0.6),
    "wide": (1.0, 0.7, 1.2),
    "rough_low": (1.6, 0.7, 0.15),
    "bursts": (0.5, 1.0, 1.0),
    "sawing": (0.3, 1.0, 1.0),
}


def _bubbles(
    car: np.random.Generator,
    rng: np.random.Generator,
    scene: Scene,
    variant: str,
    strength: FloatArray,
    gate: FloatArray,
) -> FloatArray:
    """Poisson collapses of log-normal strength; each rings one of three bodies (low, middle, high)."""
    n, rate = scene.n, scene.rate
    chance = gate * on_samples(strength, n, rate) * np.float32(uniform_log(car, 150, 4000) / rate)
    hits = np.flatnonzero(rng.random(n, dtype=np.float32) < chance)
    size = np.exp(car.uniform(0.4, 1.1) * rng.standard_normal(len(hits)))
    # Where bubbles are many they are also stronger, so that the loudness keeps following the load.
    size = size * np.sqrt(on_samples(strength, n, rate)[hits]) * rng.choice([-1.0, 1.0], len(hits))
    kind = rng.integers(0, 3, len(hits))
    top = _GROAN_TOP_HZ[variant] * car.uniform(0.7, 1.3)
    bands = ((80.0, 600.0, (1.0, 6.0)), (400.0, 2200.0, (1.5, 8.0)), (1500.0, top, (1.0, 6.0)))
    pairs = []
    for i, (low, high, quality) in enumerate(bands):
        body = modes_kernel(
            car,
            rate,
            count=int(car.integers(4, 14)),
            low_hz=low,
            high_hz=max(min(high, top), low * 1.3),
            quality=quality,
            tilt_db_per_octave=car.uniform(-5, 0),
            longest_s=0.05,
        )
        mine = kind == i
        weight = np.float32(_GROAN_WEIGHTS[variant][i] * car.uniform(0.4, 1.6))
        pairs.append((deposit(n, hits[mine].astype(float), size[mine]), body * weight))
    return convolve_sum(pairs)


def _low_tones(
    car: np.random.Generator, rng: np.random.Generator, scene: Scene, strength: FloatArray, gate: FloatArray
) -> FloatArray:
    """Irregular low tones that lean on firing or pump orders but waver."""
    m, n = len(scene.load), scene.n
    tone: FloatArray = np.zeros(n, np.float32)
    for _ in range(int(car.integers(2, 6))):
        firing = float(car.integers(1, 9)) * scene.cylinders / 2
        order = firing if car.random() < 0.6 else float(car.integers(2, 13)) * scene.pulley_ratio
        waver = on_samples(np.cumsum(walk(rng, m, 0.05, car.uniform(0.5, 8))) / CONTROL_HZ, n, scene.rate)
        loud = on_samples(strength * np.exp(walk(rng, m, 0.06, 0.7)), n, scene.rate)
        tone += turn_table(scene.turns * order + waver, cosine(car.random())) * loud
    return tone * np.sqrt(gate)


def hiss(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """The relief valve open while the wheel is held at a stop; not necessarily at every stop."""
    n, rate, m = scene.n, scene.rate, len(scene.load)
    on = np.zeros(m)
    stops = [span for span in scene.driving.steering.spans if span[0] == "stop"]
    skip = 0.0 if rng.random() < 0.6 else rng.uniform(0.1, 0.4)
    for i, (_, start, end) in enumerate(stops):
        if i and rng.random() < skip:
            continue
        late = rng.uniform(0.0, min(0.3, 0.3 * (end - start)))
        inside = (scene.driving.time_s >= start + late) & (scene.driving.time_s < end - 0.01)
        on[inside] = rng.uniform(0.6, 1.0)
    strength = ramp_gate(on, rng.uniform(0.01, 0.08), rng.uniform(0.008, 0.06))
    strength[strength < 0.01] = 0
    strength = strength * np.exp(walk(rng, m, 0.3, car.uniform(0.02, 0.2)))
    low, high = car.uniform(700, 3500), car.uniform(4500, 12000)
    middle = (low * high) ** 0.5
    points = [(50.0, -50.0), (low / 2, car.uniform(-25, -8)), (low, 0.0), (middle, car.uniform(-4, 4))]
    points += [(high, -3.0), (high * 1.7, -25.0), (90000.0, -50.0)]
    sound = shaped_noise(rng, n, rate, points)
    if variant != "flat":
        body = modes_kernel(
            car,
            rate,
            count=int(car.integers(2, 6)),
            low_hz=1000,
            high_hz=8000,
            quality=(3, 20),
            tilt_db_per_octave=0,
            direct=0.5,
            longest_s=0.03,
        )
        sound = unit(convolve(sound, body))
    if variant == "whistle":
        hz = car.uniform(1500, 7000) * (1 + walk(rng, m, 0.3, 0.01))
        phase = np.cumsum(on_samples(hz, n, rate).astype(np.float64)) / rate
        sound = sound + np.float32(car.uniform(0.1, 0.7)) * turn_table(phase, cosine())
    flutter = 1 + np.float32(car.uniform(0, 0.3)) * turn_table(
        scene.pump_turns * scene.vanes, cosine(car.random())
    )
    return Planted(sound * flutter * on_samples(strength, n, rate), strength)
