"""Helicopters: blades that thump and slap, tail rotor, gears, turbine or piston engine; near or passing.

A rotor that is followed as an engine passes for a healthy one, since its comb is as steady: blades pass 10 to
30 times a second, as a four-cylinder engine fires at idle. Each is drawn in several structural ways, so that
one way can be left out of learning. Ranges are common practice or assumptions without a published source.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .signals import (
    CONTROL_HZ,
    COSINE,
    control_count,
    convolve,
    delayed,
    deposit,
    modes_kernel,
    on_samples,
    shaped_noise,
    turn_table,
    turns_of,
    uniform_log,
    unit,
    walk,
)

__all__ = ["ROTOR_WAYS", "rotor"]

ROTOR_WAYS = ("thump", "slap", "tail", "piston", "cabin")
"""Thumps over rushing air; blades that slap; a tail rotor that leads; one with pistons; heard inside."""


def rotor(rng: np.random.Generator, n: int, rate: int, *, way: str | None = None) -> FloatArray:
    """Simulate a helicopter, shape (n,), float32. ``way``: one of ``ROTOR_WAYS`` or None to draw one."""
    drawn = ROTOR_WAYS[int(rng.integers(len(ROTOR_WAYS)))]
    way = way or drawn
    m = control_count(n, rate)
    time = np.arange(m) / CONTROL_HZ
    passes = way != "cabin" and rng.random() < 0.6
    near, width = rng.uniform(-0.4, 1.4) * time[-1], rng.uniform(2, 15)
    shift = 1 - rng.uniform(0.02, 0.2) * np.tanh((time - near) / width) if passes else np.ones(m)
    fade = 1 / (1 + ((time - near) / width) ** 2) if passes else np.ones(m)
    fade = fade * np.exp(walk(rng, m, rng.uniform(0.3, 3), rng.uniform(0.05, 0.5)))
    blades = int(rng.integers(2, 6))
    passing = uniform_log(rng, 9.0, 30.0)
    turns_hz = passing / blades * (1 + walk(rng, m, 2, rng.uniform(0.0005, 0.004))) * shift
    main = turns_of(turns_hz, n, rate)
    thump = _blades(rng, main, blades, rate, sharp=way == "slap")
    rush = shaped_noise(rng, n, rate, [(20, 0), (200, 0), (2000, rng.uniform(-25, -8)), (20000, -45)])
    swell = np.clip(np.float32(rng.uniform(0.1, 0.6)) + np.abs(thump) / 2, 0, 4)
    sound = unit(thump) + np.float32(rng.uniform(0.2, 1.5)) * unit(rush * swell)
    if way in {"tail", "piston", "cabin"} or rng.random() < 0.4:
        sound = sound + np.float32(_share(rng, way == "tail")) * _tail(rng, main, turns_hz, rate)
    if way == "piston":
        sound = sound + np.float32(_share(rng, True)) * _pistons(rng, main, turns_hz, n, rate)
    else:
        sound = sound + np.float32(_share(rng, way == "cabin")) * _turbine(rng, turns_hz, n, rate)
    if passes and rng.random() < 0.6:
        sound = _over_the_ground(rng, sound, time, near, width, rate)
    return np.asarray(sound * on_samples(fade, n, rate), np.float32)


def _share(rng: np.random.Generator, leads: bool) -> float:
    return uniform_log(rng, 0.5, 2.5) if leads else uniform_log(rng, 0.03, 0.5)


def _blades(
    rng: np.random.Generator, turns: FloatArray, blades: int, rate: int, *, sharp: bool
) -> FloatArray:
    """A pulse for each blade that passes, none quite like the next; sharp ones ring."""
    n = len(turns)
    count = int(turns[-1] * blades) + 1
    at = np.interp(np.arange(count) / blades + rng.random() / blades, turns, np.arange(n))
    own = np.exp(rng.normal(0, rng.uniform(0.02, 0.25), blades))
    height = own[np.arange(count) % blades] * np.exp(rng.normal(0, rng.uniform(0.03, 0.3), count))
    if sharp:
        body = modes_kernel(
            rng,
            rate,
            count=12,
            low_hz=40,
            high_hz=uniform_log(rng, 600, 3000),
            quality=(1, 5),
            longest_s=0.12,
        )
        return unit(convolve(deposit(n, at, height), body))
    wide = max(4, round(rate * rng.uniform(0.002, 0.02)))
    slope = np.linspace(-3, 3, wide)
    pulse = np.exp(-(slope**2) / 2) * (slope if rng.random() < 0.5 else 1.0)
    return unit(convolve(deposit(n, at, height), (pulse - pulse.mean()).astype(np.float32)))


def _tail(rng: np.random.Generator, main: FloatArray, turns_hz: FloatArray, rate: int) -> FloatArray:
    """Harmonics of the tail rotor's blades, at no whole multiple of the main rotor's."""
    order = rng.uniform(4.0, 7.0) * int(rng.integers(2, 6))
    sound = np.zeros(len(main), np.float32)
    for k in range(1, int(rng.integers(3, 16))):
        if k * order * float(turns_hz.max()) < 0.4 * rate:
            sound += np.float32(rng.uniform(0.2, 1) / k**0.7) * turn_table(
                main * order * k + rng.random(), COSINE
            )
    return unit(sound)


def _pistons(
    rng: np.random.Generator, main: FloatArray, turns_hz: FloatArray, n: int, rate: int
) -> FloatArray:
    """Four or six cylinders at some 2,400 to 2,900 rpm through a short exhaust, geared to the rotor."""
    cylinders = int(rng.choice([4, 6]))
    ratio = rng.uniform(40.0, 48.0) / float(turns_hz.mean())
    fires = main * ratio * cylinders / 2
    count = int(fires[-1])
    at = np.interp(np.arange(count) + rng.random(), fires, np.arange(n))
    own = np.exp(rng.normal(0, 0.15, cylinders))
    height = own[np.arange(count) % cylinders] * np.exp(rng.normal(0, 0.1, count))
    body = modes_kernel(rng, rate, count=14, low_hz=60, high_hz=3000, quality=(1, 8), longest_s=0.06)
    return unit(convolve(deposit(n, at, height), body))


def _turbine(rng: np.random.Generator, turns_hz: FloatArray, n: int, rate: int) -> FloatArray:
    """Gear lines with sidebands of their shafts, and the hiss of the jet."""
    hiss = shaped_noise(rng, n, rate, [(100, -12), (800, 0), (4000, rng.uniform(-10, 0)), (20000, -25)])
    sound = np.float32(rng.uniform(0.2, 1.5)) * hiss
    main = turns_of(turns_hz, n, rate)
    for _ in range(int(rng.integers(1, 6))):
        order, shaft = uniform_log(rng, 40, 700), rng.uniform(1.0, 20.0)
        for k in (-1, 0, 1):
            if (order + shaft) * float(turns_hz.max()) < 0.4 * rate:
                height = rng.uniform(0.1, 1) * (1.0 if k == 0 else 0.4)
                sound = sound + np.float32(height) * turn_table(
                    main * (order + k * shaft) + rng.random(), COSINE
                )
    return unit(sound)


def _over_the_ground(
    rng: np.random.Generator, sound: FloatArray, time: FloatArray, near: float, width: float, rate: int
) -> FloatArray:
    """Add the way over the ground, which comes later by what the flight changes: a comb that moves."""
    late = (rng.uniform(0.0005, 0.006) * (1 + 0.4 * ((time - near) / (width + 1)) ** 2)).clip(0, 0.03)
    return sound + np.float32(rng.uniform(0.3, 0.9)) * delayed(sound, late, rate)
