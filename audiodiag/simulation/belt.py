"""Sounds of the belt: squeal of slipping, chirp of a misaligned or worn belt."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .driving import Driving
from .scene import Planted, Scene, cosine
from .signals import (
    CONTROL_HZ,
    convolve,
    exponential_lag,
    modes_kernel,
    on_samples,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["chirp", "draw_slip", "squeal"]


def draw_slip(
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
    hold = uniform_log(rng, 0.03, 0.3)
    drive = ramp_gate(on.astype(float), uniform_log(rng, 0.015, 0.12), hold)
    drive[drive < 0.02] = 0
    return drive, uniform_log(rng, 0.5, 9.0)


def squeal(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Stick-slip: a limit cycle that lives on friction's negative slope; its pitch bends with its amplitude.

    Slow flow of a van der Pol oscillator: ``dA/dt = g (mu - A^2) A / 2``, pitch ``f0 (1 - k A^2)``, with
    noise (averaging; Strogatz, Nonlinear Dynamics and Chaos, section 7.6, from memory). The "steady" variant
    leaves all that out: a tone that goes on and off.
    """
    n, rate, m = scene.n, scene.rate, len(scene.load)
    drive = scene.squeal_drive if scene.squeal_drive is not None else np.ones(m)
    growth = uniform_log(car, 30, 200)
    kick = walk(rng, m, 0.02, 0.25 if variant != "rough" else 0.6)
    amplitude: FloatArray = np.empty(m)
    a = 0.01
    offset = car.uniform(0.2, 0.4)
    for i, mu in enumerate((drive * (1 + kick) - offset).tolist()):
        a += a * growth * (mu - a * a) / 2 / CONTROL_HZ
        a = min(max(a, 0.01), 1.6)
        amplitude[i] = a
    amplitude[amplitude < 0.02] = 0
    if variant == "steady":
        amplitude = drive.copy()
    modes = np.exp(car.uniform(np.log(1000), np.log(8000), int(car.integers(1, 4))))
    which = np.zeros(m, int)
    if variant == "hopping" and len(modes) > 1:
        hop = rng.random(m) < uniform_log(rng, 0.5, 6) / CONTROL_HZ
        which = np.cumsum(hop) % len(modes)
    bend, speed_pull = car.uniform(0.0, 0.15), car.uniform(-0.1, 0.25)
    hz: FloatArray = (
        exponential_lag(modes[which], 0.015) * (1 - bend * amplitude**2) * scene.relative_speed**speed_pull
    )
    hz = hz * (
        1 + walk(rng, m, 0.5, car.uniform(0.005, 0.04)) + walk(rng, m, 0.03, uniform_log(rng, 0.001, 0.02))
    )
    if variant == "steady":
        hz = modes[0] * (1 + walk(rng, m, 0.5, uniform_log(car, 0.001, 0.02)))
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
        sound += level * turn_table(phase * k, cosine(car.random())) * loud * keep
    scrape = shaped_noise(rng, n, rate, [(300, -20), (2000, 0), (6000, 0), (14000, -12), (24000, -30)])
    sound += np.float32(car.uniform(0, 0.12)) * scrape * loud
    return Planted(sound, amplitude)


def chirp(car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str) -> Planted:
    """Bursts once a belt pass (or once a pulley turn), with uneven strength and misses."""
    n, rate, m = scene.n, scene.rate, len(scene.load)
    order = scene.belt_order
    if variant == "pulley":
        order = 1.0 if car.random() < 0.4 else car.uniform(0.6, 2.2)
    loud = np.exp(walk(rng, m, 0.8, 0.3))
    if rng.random() < 0.35:
        loud = loud * ramp_gate((walk(rng, m, rng.uniform(0.7, 3), 1.0) > -0.5).astype(float), 0.1, 0.2)
    loud = loud * (1 + car.uniform(-0.3, 0.8) * scene.load)
    knee = car.spawn(1)[0].uniform(1.1, 1.8)  # spawned: the car must not depend on what this clip draws
    if rng.random() < 0.3:
        loud = loud / (1 + (scene.relative_speed / knee) ** 12)
    first, last = scene.turns[0] * order, scene.turns[-1] * order
    number = np.arange(np.floor(first), np.ceil(last) + 1) + car.random()
    places = [number]
    if variant == "pairs":
        places.append(number + car.uniform(0.12, 0.6))
    length_most = (10 if variant == "pairs" else 27) / order / float(np.max(scene.driving.rpm))
    length_s = min(uniform_log(car, 0.012, 0.15), length_most)
    out = np.zeros(n, np.float32)
    centre = uniform_log(car, 2000, min(12000, 0.4 * rate))
    tones = [(1.0, 1.0)] + [
        (car.uniform(0.5, 2.2), car.uniform(0.1, 0.9)) for _ in range(int(car.integers(0, 4)))
    ]
    rise, fall = np.float32(uniform_log(car, 0.02, 0.5)), np.float32(uniform_log(car, 0.2, 0.9))
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
            envelope = np.minimum(1, s / rise) * np.minimum(1, (1 - s) / fall)
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
                    piece += np.float32(level) * turn_table(angle + rng.random(), cosine())
            out[start : start + count] += np.float32(strength) * envelope * piece
    if noisy:
        band = car.uniform(0.3, 1.2)
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
