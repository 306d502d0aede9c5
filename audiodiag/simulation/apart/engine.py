"""The engine of the bay built apart: combustion by crank angle, bodies that ring, valve gear and floor."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .course import Course
from .sound import SLOW_HZ, Mode, between, drift, rings, shaped_noise, stretched, strikes, unit

__all__ = ["ENGINES", "make_engine"]

ENGINES: dict[str, float] = {"pulses": 0.4, "orders": 0.3, "knock": 0.3}
"""How the combustion is made, with its weight: pressure pulses, a sum of half orders, struck iron."""


def make_engine(rng: np.random.Generator, course: Course, cylinders: int, variant: str) -> FloatArray:
    """Sound of a healthy engine near the microphone, mean square 1."""
    n, rate = course.n, course.rate
    count = course.turns * (cylinders / 2)
    firing = np.floor(count).astype(np.int64)
    within = (count - firing).astype(np.float32)
    unequal = rng.normal(1.0, between(rng, 0.04, 0.2), cylinders)
    fires = int(firing[-1]) + 1
    strength = unequal[np.arange(fires) % cylinders] * rng.lognormal(0.0, between(rng, 0.05, 0.2), fires)
    each = strength.astype(np.float32)[firing]

    if variant == "pulses":
        comb = _pulses(rng, course, within, each)
    elif variant == "orders":
        comb = _orders(rng, course, cylinders)
    else:
        comb = _knock(rng, course, cylinders, strength) + np.float32(between(rng, 0.3, 1.0)) * _pulses(
            rng, course, within, each
        )

    slope = between(rng, -9, -3)
    hump = between(rng, 600, 2500)
    corners = [(40, -6.0), (150, 0.0), (hump, between(rng, -8, 2)), (hump * 4, slope * 2 - 4), (2e4, -50)]
    beat = np.exp(-within / np.float32(between(rng, 0.15, 0.6)))
    depth = np.float32(between(rng, 0.2, 1.0))
    mechanical = unit(shaped_noise(rng, n, rate, corners) * (1 + depth * (each * beat - 0.5)))
    floor = shaped_noise(
        rng, n, rate, [(30, 0.0), (200, -3.0), (1500, -12 + slope), (1e4, -34.0), (2e4, -55)]
    )
    growth = course.loudness(between(rng, 0.8, 1.4))
    whole = (
        unit(comb)
        + np.float32(10 ** (between(rng, -14, -3) / 20)) * mechanical
        + np.float32(10 ** (between(rng, -18, -6) / 20)) * floor
        + np.float32(10 ** (between(rng, -24, -10) / 20)) * _valve_gear(rng, course, cylinders)
    )
    effort = 1 + np.float32(between(rng, 0.1, 0.6)) * np.clip(course.pull / 2000, -0.3, 1)
    return unit(whole * growth * effort)


def _bodies(rng: np.random.Generator) -> list[Mode]:
    """Exhaust, intake and block as a handful of modes."""
    first = between(rng, 70, 140)
    modes = [(first * k, between(rng, 1.5, 4), between(rng, 0.4, 1.0) / k**0.5) for k in (1, 2, 3)]
    modes += [(between(rng, 180, 600), between(rng, 2, 6), between(rng, 0.3, 1.0)) for _ in range(2)]
    return modes + [(between(rng, 600, 2400), between(rng, 3, 9), between(rng, 0.1, 0.4)) for _ in range(3)]


def _pulses(rng: np.random.Generator, course: Course, within: FloatArray, each: FloatArray) -> FloatArray:
    """Pressure pulses by angle: a steep rise and a slower fall, and a weaker breath of the intake."""
    width = np.float32(between(rng, 0.05, 0.14))
    steep = np.float32(between(rng, 0.6, 1.8))
    pulse = (within / width) ** steep * np.exp(-within / width)
    later = (within - np.float32(between(rng, 0.35, 0.65))) % np.float32(1.0)
    breath = np.exp(-np.square((later - 0.3) / np.float32(between(rng, 0.08, 0.15))))
    train = each * pulse + np.float32(between(rng, 0.0, 0.35)) * float(np.max(pulse)) * breath
    return rings(train - train.mean(), course.rate, _bodies(rng), direct=between(rng, 0.2, 0.6))


def _orders(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Half orders, each with its own height and phase that wander; firing orders stand out."""
    n, rate = course.n, course.rate
    fall = between(rng, 0.5, 1.1)
    quiet = between(rng, -24, -12)
    half_turn = 2j * np.pi * ((course.turns / 2) % 1.0).astype(np.float32)
    turned = np.exp(half_turn.astype(np.complex64))
    orders = [k / 2 for k in range(1, 13)] + [cylinders / 2 * k for k in range(2, 8)]
    powers = {1: turned}
    comb, phasor, reached = np.zeros(n, np.float32), np.ones(n, np.complex64), 0
    for order in sorted({order for order in orders if order <= 40}):
        step = int(2 * order) - reached
        if step not in powers:
            powers[step] = turned**step
        phasor = phasor * powers[step]
        reached = int(2 * order)
        height = (order / cylinders * 2 + 0.3) ** -fall * 10 ** (rng.normal(0, 4) / 20)
        height *= 1.0 if order % (cylinders / 2) == 0 else 10 ** (quiet / 20)
        count = int(n / rate * SLOW_HZ) + 3
        swell = height * (1 + 0.15 * drift(rng, count, SLOW_HZ, 0.5))
        lean = 2 * np.pi * (rng.random() + 0.03 * drift(rng, count, SLOW_HZ, 0.4))
        comb += stretched(swell * np.cos(lean), n, rate) * phasor.real
        comb -= stretched(swell * np.sin(lean), n, rate) * phasor.imag
    return comb + 0.4 * rings(comb, rate, _bodies(rng))


def _knock(rng: np.random.Generator, course: Course, cylinders: int, strength: FloatArray) -> FloatArray:
    """Struck iron: every combustion sets the block ringing."""
    late = rng.normal(0, 0.012, len(strength))
    when = course.places((np.arange(len(strength)) + 0.15 + late) * (2 / cylinders))
    train = strikes(course.n, when, strength * rng.lognormal(0, 0.25, len(strength)))
    modes = [(between(rng, 350, 900), between(rng, 3, 8), 1.0)]
    for _ in range(4):
        hz = between(rng, 900, 3800)
        modes.append((hz, between(rng, 5, 15), between(rng, 0.5, 1.0) * 700 / hz))
    return unit(rings(train, course.rate, modes))


def _valve_gear(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Inlet and exhaust valves closing: two ticks a cylinder and cycle."""
    places = np.sort(
        np.concatenate([np.arange(cylinders) / cylinders + shift for shift in rng.random(2)]) % 1.0
    )
    heights = rng.lognormal(0, 0.35, len(places))
    cycles = np.arange(int(course.turns[-1] / 2) + 2)[:, None]
    when = (2 * (cycles + places) + rng.normal(0, 0.004, (len(cycles), len(places)))).ravel()
    train = strikes(course.n, course.places(when), np.tile(heights, len(cycles)))
    modes = [(between(rng, 1800, 7500), between(rng, 6, 20), between(rng, 0.3, 1)) for _ in range(4)]
    return unit(rings(train, course.rate, modes))
