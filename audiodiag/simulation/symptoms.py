"""The six symptoms' sounds, each with structurally different variants, and when each one sounds.

Each maker takes a ``Scene`` and gives a ``Planted``: sound of any power, shape (n,), and the control curve that
says when it sounds. Levels and the way to the microphone are set by the caller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

from .driving import Driving
from .signals import (
    CONTROL_HZ,
    convolve,
    convolve_sum,
    deposit,
    exponential_lag,
    modes_kernel,
    on_samples,
    power,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["SYMPTOM_VARIANTS", "Planted", "Scene", "draw_squeal", "plant"]

SYMPTOM_VARIANTS: dict[str, dict[str, float]] = {
    "pump_whine": {"harmonics": 3, "ripple": 3, "modulated": 2},
    "cavitation_groan": {"mid": 3, "wide": 2, "rough_low": 2, "bursts": 2},
    "belt_squeal": {"smooth": 3, "hopping": 2, "rough": 2},
    "belt_chirp": {"tonal": 3, "noisy": 3, "pairs": 1.5, "pulley": 1.5},
    "relief_hiss": {"flat": 3, "resonant": 2, "whistle": 1.5},
    "bearing_growl": {"impacts": 4, "rough": 2, "cage": 2},
}
"""Structural variants of each symptom and how often each is drawn."""


@dataclass(frozen=True, eq=False)
class Scene:
    """What every source can look at. ``turns`` and ``pump_turns``: shape (n,), float64."""

    driving: Driving
    turns: FloatArray
    pump_turns: FloatArray
    rate: int
    pulley_ratio: float
    vanes: int
    belt_order: float
    squeal_drive: FloatArray | None

    @property
    def n(self) -> int:
        """Samples."""
        return len(self.turns)

    @property
    def load(self) -> FloatArray:
        """Steering load on the control grid."""
        return self.driving.steering.load

    @property
    def relative_speed(self) -> FloatArray:
        """Speed over idle speed on the control grid."""
        return self.driving.rpm / self.driving.idle_rpm


@dataclass(frozen=True, eq=False)
class Planted:
    """A sound and the control curve of its strength (0 where it is silent)."""

    sound: FloatArray
    strength: FloatArray
    details: dict[str, float]


def _unit(sound: FloatArray) -> FloatArray:
    return sound / np.float32(np.sqrt(power(sound)) + 1e-20)


def _cosine(phase_offset: float = 0.0) -> FloatArray:
    return np.cos(2 * np.pi * (np.arange(4096) / 4096 + phase_offset)).astype(np.float32)


def plant(
    name: str, car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str
) -> Planted:
    """Make the sound of one symptom."""
    return {
        "pump_whine": _whine,
        "cavitation_groan": _groan,
        "belt_squeal": _squeal,
        "belt_chirp": _chirp,
        "relief_hiss": _hiss,
        "bearing_growl": _growl,
    }[name](car, rng, scene, variant)


def _whine(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Vane passing ripple: R*z and multiples; an odd z puts the first strong order at 2z."""
    z, n, rate, m = scene.vanes, scene.n, scene.rate, len(scene.load)
    leak = 10 ** (-car.uniform(8, 28) / 20) if z % 2 else 1.0
    rest = car.uniform(0.6, 0.9) if car.random() < 0.25 else uniform_log(car, 0.04, 0.6)
    gain = rest + (1 - rest) * scene.load ** car.uniform(0.6, 1.8)
    gain = (
        gain
        * scene.relative_speed ** car.uniform(0, 1.2)
        * np.exp(walk(rng, m, uniform_log(rng, 0.1, 1.5), 0.25))
    )
    count = int(car.integers(2, 9))
    fall = car.uniform(2, 11)
    sound = np.zeros(n, np.float32)
    top_hz = scene.pulley_ratio * np.max(scene.driving.rpm) / 60
    if variant == "ripple":
        size = 8192
        ports = (0.0, 0.5) if z % 2 else (0.0,)
        table = np.zeros(size)
        place = np.arange(size) / size
        unequal = car.uniform(0.75, 1.0)
        width = car.uniform(0.08, 0.35) / z
        for vane in range(z):
            for port in ports:
                centre = (vane + port + car.normal(0, 0.015)) / z
                far = np.abs((place - centre + 0.5) % 1.0 - 0.5)
                strength = (1.0 if port == 0 else unequal) * (1 + car.normal(0, 0.06))
                table += strength * np.exp(-0.5 * (far / width) ** 2)
        table -= table.mean()
        sound = turn_table(scene.pump_turns, table)
    else:
        depth, swing = car.uniform(0, 0.5), car.uniform(0, 0.25 if variant == "modulated" else 0.03)
        once = _cosine(car.random())
        phase = scene.pump_turns + swing / z * turn_table(scene.pump_turns, once) * (variant == "modulated")
        for k in range(1, count + 1):
            if k * z * top_hz > 0.45 * rate:
                break
            level = 10 ** (-(fall * np.log2(k) + car.normal(0, 3)) / 20) * (leak if z % 2 and k % 2 else 1.0)
            sound += np.float32(level) * turn_table(phase * (z * k), _cosine(car.random()))
        sound *= 1 + np.float32(depth) * turn_table(scene.pump_turns, _cosine(car.random()))
    body = modes_kernel(
        car,
        rate,
        count=int(car.integers(4, 12)),
        low_hz=120,
        high_hz=car.uniform(1200, 4000),
        quality=(2, 18),
        tilt_db_per_octave=car.uniform(-3, 1),
        direct=car.uniform(0.1, 0.8),
        longest_s=0.06,
    )
    sound = convolve(sound, body) * on_samples(gain, n, rate)
    return Planted(sound, gain, {})


def _groan(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Bubbles collapsing at random, more of them when the suction side is starved: by angle, load and speed."""
    n, rate, m, z = scene.n, scene.rate, len(scene.load), scene.vanes
    rest = car.uniform(0.3, 0.9) if car.random() < 0.3 else uniform_log(car, 0.01, 0.2)
    gain = rest + (1 - rest) * scene.load ** car.uniform(0.7, 2.5)
    gain = gain * scene.relative_speed ** car.uniform(0, 2.0)
    gain = gain * np.exp(walk(rng, m, uniform_log(rng, 0.05, 0.8), car.uniform(0.15, 0.6)))
    if variant == "bursts":
        on = walk(rng, m, uniform_log(rng, 0.08, 0.4), 1.0) > car.uniform(-0.6, 0.8)
        gain = gain * ramp_gate(on.astype(float), 0.02, 0.08)
    phase = np.arange(4096) / 4096
    table = np.ones(4096)
    for order, deepest in ((1, 0.7), (2, 0.9), (z, 0.8)):
        table += car.uniform(0.05, deepest) * np.cos(2 * np.pi * (order * phase + car.random()))
    gate = turn_table(scene.pump_turns, np.maximum(table, 0.02) ** car.uniform(0.7, 2.0))
    per_second = uniform_log(car, 150, 4000)
    chance = gate * on_samples(gain, n, rate) * np.float32(per_second / rate)
    hits = np.flatnonzero(rng.random(n, dtype=np.float32) < chance)
    size = np.exp(car.uniform(0.4, 1.0) * rng.standard_normal(len(hits))) * rng.choice([-1.0, 1.0], len(hits))
    kind = rng.random(len(hits))
    top = {"mid": 4000.0, "wide": 11000.0, "rough_low": 1500.0, "bursts": 8000.0}[variant] * car.uniform(
        0.7, 1.3
    )
    weights = {
        "mid": (1, 1, 0.6),
        "wide": (1, 0.7, 1.2),
        "rough_low": (1.6, 0.7, 0.15),
        "bursts": (0.5, 1, 1),
    }
    bands = ((80.0, 600.0, (1.0, 6.0)), (400.0, 2200.0, (1.5, 8.0)), (1500.0, top, (1.0, 6.0)))
    pairs = []
    for i, (low, high, quality) in enumerate(bands):
        mine = (kind * 3).astype(int) == i
        body = modes_kernel(
            car,
            rate,
            count=int(car.integers(4, 12)),
            low_hz=low,
            high_hz=max(min(high, top), low * 1.3),
            quality=quality,
            tilt_db_per_octave=car.uniform(-5, 0),
            longest_s=0.05,
        )
        train = deposit(n, hits[mine].astype(float), size[mine])
        pairs.append((train, body * np.float32(weights[variant][i] * car.uniform(0.4, 1.6))))
    sound = convolve_sum(pairs)
    if variant == "rough_low" or car.random() < 0.25:
        sound = _unit(sound) + np.float32(uniform_log(car, 0.2, 1.2)) * _unit(
            _low_tones(car, rng, scene, gain, gate)
        )
    return Planted(sound, gain, {})


def _low_tones(
    car: np.random.Generator, rng: np.random.Generator, scene: Scene, gain: FloatArray, gate: FloatArray
) -> FloatArray:
    """Irregular low tones that lean on crank or pump orders but waver."""
    m, n = len(scene.load), scene.n
    tone = np.zeros(n, np.float32)
    for _ in range(int(car.integers(2, 5))):
        order = float(car.integers(3, 16)) * (1.0 if car.random() < 0.5 else scene.pulley_ratio)
        waver = on_samples(np.cumsum(walk(rng, m, 0.05, car.uniform(1, 8))) / CONTROL_HZ, n, scene.rate)
        loud = on_samples(gain * np.exp(walk(rng, m, 0.06, 0.7)), n, scene.rate)
        tone += turn_table(scene.turns * order + waver, _cosine(car.random())) * loud
    return tone * np.sqrt(gate)


def draw_squeal(
    car: np.random.Generator, rng: np.random.Generator, driving: Driving
) -> tuple[FloatArray, float]:
    """When the belt slips: its drive on the control grid, 0 to 1, and the greatest slip in per cent."""
    load, m = driving.steering.load, len(driving.rpm)
    time = driving.time_s
    rise = np.maximum(np.gradient(exponential_lag(load, 0.05)) * CONTROL_HZ, 0)
    pull = np.maximum(np.gradient(exponential_lag(driving.rpm, 0.05)) * CONTROL_HZ, 0) / 600
    stress = car.uniform(0.3, 1.0) * load + car.uniform(0.1, 0.6) * rise + car.uniform(0.3, 1.2) * pull
    stress = exponential_lag(stress, 0.05) * (1 + walk(rng, m, 0.3, 0.2))
    threshold = car.uniform(0.35, 0.75) * float(np.max(stress))
    on = stress > threshold
    if float(np.max(stress)) < 0.25 or on.mean() < 0.02:
        on = np.zeros(m, bool)
        for _ in range(int(rng.integers(1, 4))):
            start = rng.uniform(0, max(time[-1] - 1.0, 0.1))
            on |= (time >= start) & (time < start + uniform_log(rng, 0.4, 4.0))
    hold = uniform_log(rng, 0.05, 0.5)
    drive = ramp_gate(on.astype(float), uniform_log(rng, 0.015, 0.12), hold)
    drive[drive < 0.02] = 0
    return drive, uniform_log(rng, 0.5, 9.0)


def _squeal(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Stick-slip: a limit cycle whose amplitude follows the negative friction slope, its pitch the amplitude.

    Slow-flow equations of a van der Pol oscillator, dA/dt = g (mu - A^2) A / 2, pitch f0 (1 - k A^2), with noise.
    """
    n, rate, m = scene.n, scene.rate, len(scene.load)
    drive = scene.squeal_drive if scene.squeal_drive is not None else np.ones(m)
    growth = uniform_log(car, 15, 120)
    kick = walk(rng, m, 0.02, 0.25 if variant != "rough" else 0.6)
    amplitude = np.empty(m)
    a = 1e-3
    slope = (drive * (1 + kick) - (0.15 if variant != "smooth" else 0.05)).tolist()
    for i, mu in enumerate(slope):
        a += a * growth * (mu - a * a) / 2 / CONTROL_HZ
        a = min(max(a, 1e-3), 1.6)
        amplitude[i] = a
    amplitude[amplitude < 0.02] = 0
    modes = np.exp(car.uniform(np.log(1000), np.log(8000), int(car.integers(1, 4))))
    which = np.zeros(m, int)
    if variant == "hopping" and len(modes) > 1:
        hop = rng.random(m) < uniform_log(rng, 0.5, 6) / CONTROL_HZ
        which = np.cumsum(hop) % len(modes)
    bend, speed_pull = car.uniform(0.0, 0.15), car.uniform(-0.1, 0.25)
    hz = exponential_lag(modes[which], 0.015) * (1 - bend * amplitude**2) * scene.relative_speed**speed_pull
    hz = hz * (
        1 + walk(rng, m, 0.5, car.uniform(0.005, 0.04)) + walk(rng, m, 0.03, uniform_log(rng, 0.001, 0.02))
    )
    hz = np.clip(hz, 700, 9500)
    phase = np.cumsum(on_samples(hz, n, rate).astype(np.float64)) / rate
    loud = on_samples(amplitude, n, rate)
    if variant == "rough":
        noise = np.abs(
            shaped_noise(rng, n, rate, [(10, 0), (car.uniform(60, 300), 0), (2000, -40), (20000, -60)])
        )
        loud = loud * noise
        phase = phase + 0.15 * noise
    count = int(car.integers(1, 7))
    sound = np.zeros(n, np.float32)
    for k in range(1, count + 1):
        level = np.float32(k ** -car.uniform(0.7, 2.2) * np.exp(car.normal(0, 0.4)))
        keep = on_samples((hz * k < 0.46 * rate).astype(float), n, rate)
        sound += level * turn_table(phase * k, _cosine(car.random())) * loud * keep
    scrape = shaped_noise(rng, n, rate, [(300, -20), (2000, 0), (6000, 0), (14000, -12), (24000, -30)])
    sound += np.float32(car.uniform(0, 0.12)) * scrape * loud
    return Planted(sound, amplitude, {})


def _chirp(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Bursts once a belt pass (or once a pulley turn), with uneven strength and misses."""
    n, rate, m = scene.n, scene.rate, len(scene.load)
    order = scene.belt_order
    if variant == "pulley":
        order = 1.0 if car.random() < 0.4 else car.uniform(0.6, 2.2)
    loud = np.exp(walk(rng, m, 0.8, 0.3))
    if rng.random() < 0.35:
        loud = loud * ramp_gate((walk(rng, m, rng.uniform(0.7, 3), 1.0) > -0.5).astype(float), 0.1, 0.2)
    loud = loud * (1 + car.uniform(-0.3, 0.8) * scene.load)
    first, last = scene.turns[0] * order, scene.turns[-1] * order
    number = np.arange(np.floor(first), np.ceil(last) + 1) + car.random()
    places = [number]
    if variant == "pairs":
        places.append(number + car.uniform(0.12, 0.6))
    length_s = uniform_log(car, 0.015, 0.15)
    out = np.zeros(n, np.float32)
    centre = uniform_log(car, 2000, min(12000, 0.4 * rate))
    tones = [(1.0, 1.0)] + [
        (car.uniform(0.5, 2.2), car.uniform(0.1, 0.9)) for _ in range(int(car.integers(0, 4)))
    ]
    glide = car.normal(0, 0.12)
    rough = uniform_log(car, 0.005, 0.08)
    jitter, misses = uniform_log(car, 0.1, 0.7), car.uniform(0, 0.3) * (car.random() < 0.6)
    noisy = variant == "noisy" or (variant != "tonal" and car.random() < 0.5)
    for which, place in enumerate(places):
        times = scene.driving.times_of_turns((place + rng.normal(0, 0.006, len(place))) / order)
        for t in times[(times >= 0)].tolist():
            strength = float(np.exp(jitter * rng.standard_normal())) * (1.0 if which == 0 else 0.6)
            strength *= float(loud[min(int(t * CONTROL_HZ), m - 1)])
            if rng.random() < misses:
                continue
            count = int(length_s * rng.uniform(0.6, 1.4) * rate)
            start = int(t * rate)
            count = min(count, n - start)
            if count < 16:
                continue
            s = np.arange(count, dtype=np.float32) / np.float32(count)
            envelope = np.minimum(1, s / np.float32(0.12)) * np.minimum(1, (1 - s) / np.float32(0.4))
            if noisy:
                piece = rng.standard_normal(count, dtype=np.float32)
            else:
                piece = np.zeros(count, np.float32)
                shift = 1 + rng.normal(0, rough)
                for relative, level in tones:
                    hz = centre * relative * shift
                    if hz > 0.42 * rate:
                        continue
                    angle = hz * count / rate * (s + np.float32(glide / 2) * s * s)
                    piece += np.float32(level) * turn_table(angle + rng.random(), _cosine())
            out[start : start + count] += np.float32(strength) * envelope * piece
    if noisy:
        band = car.uniform(0.3, 1.2)
        points = [(100.0, -60.0), (centre / 2 ** (2 * band), -30.0), (centre / 2**band, -4.0), (centre, 0.0)]
        points += [(centre * 2**band, -6.0), (centre * 2 ** (2 * band), -30.0), (60000.0, -60.0)]
        body = modes_kernel(
            car,
            rate,
            count=6,
            low_hz=max(centre / 2**band, 1200),
            high_hz=centre * 2**band,
            quality=(2, 30),
            tilt_db_per_octave=0,
            direct=0.0,
            longest_s=0.02,
        )
        out = convolve(out, body)
    return Planted(out, loud, {"chirp_order": float(order)})


def _hiss(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """The relief valve open while the wheel is held at a stop; not necessarily at every stop."""
    n, rate, m = scene.n, scene.rate, len(scene.load)
    on = np.zeros(m)
    stops = [span for span in scene.driving.steering.spans if span[0] == "stop"]
    for i, (_, start, end) in enumerate(stops):
        if i and rng.random() < 0.15:
            continue
        late = rng.uniform(0.0, min(0.2, 0.3 * (end - start)))
        inside = (scene.driving.time_s >= start + late) & (scene.driving.time_s < end)
        on[inside] = rng.uniform(0.6, 1.0)
    gain = ramp_gate(on, rng.uniform(0.01, 0.08), rng.uniform(0.01, 0.05))
    gain[gain < 0.01] = 0
    gain = gain * np.exp(walk(rng, m, 0.3, 0.1))
    low, high = car.uniform(700, 2500), car.uniform(5000, 12000)
    points = [
        (50.0, -50.0),
        (low / 2, -14.0),
        (low, 0.0),
        ((low * high) ** 0.5, car.uniform(-4, 4)),
        (high, -3.0),
    ]
    points += [(high * 1.7, -25.0), (60000.0, -50.0)]
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
        sound = _unit(convolve(sound, body))
    if variant == "whistle":
        hz = car.uniform(1500, 7000) * (1 + walk(rng, m, 0.3, 0.01))
        phase = np.cumsum(on_samples(hz, n, rate).astype(np.float64)) / rate
        sound = sound + np.float32(car.uniform(0.1, 0.7)) * turn_table(phase, _cosine())
    flutter = 1 + car.uniform(0, 0.3) * turn_table(scene.pump_turns * scene.vanes, _cosine(car.random()))
    return Planted(sound * flutter * on_samples(gain, n, rate), gain, {})


def _growl(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """A damaged bearing on the pump shaft or an idler: impacts at its own non-integer orders, with slip."""
    n, rate, m = scene.n, scene.rate, len(scene.load)
    shaft_order = scene.pulley_ratio if car.random() < 0.6 else car.uniform(1.2, 3.2)
    balls = int(car.integers(7, 14))
    slim = car.uniform(0.15, 0.32)  # ball over pitch diameter times cosine of the contact angle
    cage = 0.5 * (1 - slim)
    race = {"outer": balls * cage, "inner": balls * (1 - cage), "ball": (1 - slim**2) / slim}
    which = str(car.choice(["outer", "inner", "ball"], p=[0.5, 0.35, 0.15]))
    rate_order = race[which] * shaft_order
    beat = {"outer": 1.0, "inner": 1.0, "ball": cage}[which] * shaft_order
    slip = car.uniform(0.003, 0.02)
    total = float(scene.turns[-1] - scene.turns[0]) * rate_order
    steps = 1 + slip * rng.standard_normal(int(total * 1.2) + 8)
    angle = scene.turns[0] + np.cumsum(steps) / rate_order
    times = scene.driving.times_of_turns(angle)
    depth = car.uniform(0.0, 0.4) if which == "outer" else car.uniform(0.4, 1.0)
    loud = 1 + depth * np.cos(2 * np.pi * (angle * beat + car.random()))
    if variant == "cage":
        loud = loud * (
            1 + car.uniform(0.3, 0.9) * np.cos(2 * np.pi * (angle * cage * shaft_order + car.random()))
        )
    amplitude = np.maximum(loud, 0.02) * np.exp(uniform_log(car, 0.1, 0.6) * rng.standard_normal(len(angle)))
    body = modes_kernel(
        car,
        rate,
        count=int(car.integers(2, 7)),
        low_hz=car.uniform(700, 2500),
        high_hz=car.uniform(2800, 7500),
        quality=(6, 60),
        tilt_db_per_octave=car.uniform(-3, 1),
        longest_s=0.05,
    )
    gain = (1 + car.uniform(0, 0.4) * scene.load) * scene.relative_speed ** car.uniform(0.3, 1.5)
    gain = gain * np.exp(walk(rng, m, 0.7, 0.2))
    sound = _unit(convolve(deposit(n, times * rate, amplitude), body))
    if variant == "rough":
        shape = np.maximum(
            1 + car.uniform(0.3, 1) * turn_table(scene.turns * shaft_order, _cosine(car.random())), 0.02
        )
        shape = shape * (
            1 + car.uniform(0, 0.7) * turn_table(scene.turns * cage * shaft_order, _cosine(car.random()))
        )
        rough = _unit(convolve(rng.standard_normal(n, dtype=np.float32) * shape, body))
        sound = rough + np.float32(car.uniform(0.1, 0.9)) * sound
    details = {"bearing_impact_order": float(rate_order), "bearing_shaft_order": float(shaft_order)}
    return Planted(sound * on_samples(gain, n, rate), gain, details)
