"""Machines that hold no steering pump: small engines, aircraft, trains, tools, what turns in house and works.

Sounds for the measure of strangeness. Each is drawn in several structural ways, so that one way can be left
out of learning. Ranges are common practice or assumptions without a published source.
"""

from __future__ import annotations

from collections.abc import Callable

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
    ramp_gate,
    shaped_noise,
    turn_table,
    turns_of,
    uniform_log,
    unit,
    walk,
)

__all__ = ["MACHINES", "Maker"]

Maker = Callable[[np.random.Generator, int, int], FloatArray]


def _tones(
    rng: np.random.Generator, turns: FloatArray, orders: tuple[float, ...], top: float, rate: int
) -> FloatArray:
    """Cosines at orders of a turning part, each with its own height; those beyond the rate are left out."""
    sound = np.zeros(len(turns), np.float32)
    for order in orders:
        if order * top < 0.45 * rate:
            height = np.float32(rng.uniform(0.1, 1.0))
            sound += height * turn_table(turns * order + rng.random(), COSINE)
    return sound


def _wavering(rng: np.random.Generator, m: int, low: float, high: float, depth: float = 0.01) -> FloatArray:
    """A speed between two bounds that wavers slowly, on the control grid."""
    return np.asarray(uniform_log(rng, low, high) * (1 + walk(rng, m, rng.uniform(0.3, 2), depth)))


def _switched(rng: np.random.Generator, m: int) -> FloatArray:
    """How far a machine has run up, 0 to 1: mostly all the time, else started or stopped in the clip."""
    time = np.arange(m) / CONTROL_HZ
    if rng.random() < 0.6:
        return np.ones(m)
    run = np.clip((time - rng.uniform(-0.2, 0.8) * time[-1]) / rng.uniform(0.5, 4), 0.02, 1)
    return np.asarray(run if rng.random() < 0.6 else run[::-1])


def _small_engine(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Mower, generator, saw or moped: one or two cylinders, exhaust pulses through a short pipe."""
    m = control_count(n, rate)
    way = str(rng.choice(["four_stroke", "two_stroke", "twin"]))
    low, high = {"four_stroke": (1500, 3800), "two_stroke": (2500, 11000), "twin": (900, 5000)}[way]
    hz = _wavering(rng, m, low / 60, high / 60, 0.02)
    if rng.random() < 0.5:
        blips = ramp_gate((walk(rng, m, 0.7, 1.0) > rng.uniform(0, 1.2)).astype(float), 0.15, 0.5)
        hz = hz * (1 + rng.uniform(0.2, 1.2) * blips)
    turns = turns_of(hz, n, rate)
    first, last = turns[0], turns[-1]
    cycles = np.arange(np.floor(first), np.ceil(last) + 1, 1.0 if way == "two_stroke" else 2.0)
    places = [cycles] if way != "twin" else [cycles, cycles + rng.choice([0.75, 1.0, 1.25])]
    body = modes_kernel(rng, rate, count=9, low_hz=80, high_hz=3500, quality=(1.5, 9), direct=0.3)
    pulses = np.zeros(n, np.float32)
    for place in places:
        at = place + rng.normal(0, 0.004, len(place))
        strength = np.exp(rng.normal(0, rng.uniform(0.05, 0.35), len(at)))
        pulses += deposit(n, np.interp(at, turns, np.arange(n), left=-1, right=-1), strength)
    sound = unit(convolve(pulses, body))
    rush = shaped_noise(rng, n, rate, [(60, -15), (500, 0), (3000, -6), (9000, -20), (20000, -40)])
    blade = _tones(rng, turns, (1.0, 2.0, 4.0), float(hz.max()), rate) if rng.random() < 0.4 else 0.0
    return sound + np.float32(rng.uniform(0.1, 0.6)) * rush + np.float32(rng.uniform(0, 0.4)) * blade


def _aircraft(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """A propeller, a jet that passes over with its comb from the ground, or a small many-rotored craft."""
    m = control_count(n, rate)
    way = str(rng.choice(["propeller", "jet", "rotors"]))
    time = np.arange(m) / CONTROL_HZ
    near, width = rng.uniform(-0.2, 1.2) * time[-1], rng.uniform(2, 10)
    loud = 1 / (1 + ((time - near) / width) ** 2) if rng.random() < 0.7 else np.ones(m)
    shift = 1 - rng.uniform(0.05, 0.25) * np.tanh((time - near) / width)
    gain = on_samples(loud * np.exp(walk(rng, m, 0.7, 0.25)), n, rate)
    if way == "propeller":
        hz = _wavering(rng, m, 25, 45) * shift
        turns = turns_of(hz, n, rate)
        blades = float(rng.choice([2, 3, 4]))
        orders = tuple(blades * k for k in range(1, 14)) + tuple(2.0 * k for k in range(1, 6))
        rush = shaped_noise(rng, n, rate, [(50, 0), (400, -3), (2500, -15), (20000, -45)])
        return (unit(_tones(rng, turns, orders, float(hz.max()), rate)) + np.float32(0.5) * rush) * gain
    if way == "jet":
        rush = shaped_noise(rng, n, rate, [(40, -6), (200, 0), (1200, -5), (5000, -25), (20000, -60)])
        late = (rng.uniform(0.0008, 0.005) * (1 + 0.5 * ((time - near) / (width + 1)) ** 2)).clip(0, 0.02)
        echo = delayed(rush, late, rate)
        turns = turns_of(uniform_log(rng, 700, 3500) * shift, n, rate)
        return (
            rush + np.float32(0.7) * echo + np.float32(rng.uniform(0, 0.5)) * turn_table(turns, COSINE)
        ) * gain
    sound = np.zeros(n, np.float32)
    for _ in range(int(rng.choice([4, 6]))):
        hz = _wavering(rng, m, 70, 220, 0.03) * shift
        sound += _tones(rng, turns_of(hz, n, rate), (1.0, 2.0, 4.0, 6.0, 8.0), float(hz.max()), rate)
    hiss = shaped_noise(rng, n, rate, [(200, -15), (1500, 0), (6000, -4), (20000, -25)])
    return (unit(sound) + np.float32(rng.uniform(0.2, 0.8)) * hiss) * gain


def _train(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Wheels on rails: rolling noise and joints, the steps of an electric drive, or brakes that howl."""
    m = control_count(n, rate)
    time = np.arange(m) / CONTROL_HZ
    way = str(rng.choice(["joints", "drive", "brakes"]))
    roll = shaped_noise(rng, n, rate, [(30, -6), (150, 0), (900, -2), (2500, -10), (9000, -35), (20000, -60)])
    pace = np.clip(1 + rng.uniform(-0.5, 1.0) * time / max(time[-1], 1), 0.15, 2)
    sound = roll * on_samples(pace * np.exp(walk(rng, m, 1.0, 0.3)), n, rate)
    if way == "joints":
        spans = np.cumsum(
            np.full(200, rng.uniform(0.5, 1.4)) / np.interp(np.arange(200), np.arange(m) / 200, pace)
        )
        times = np.concatenate([spans, spans + 0.12, spans + 0.35, spans + 0.47])
        body = modes_kernel(rng, rate, count=10, low_hz=60, high_hz=2500, quality=(2, 12), longest_s=0.2)
        knocks = convolve(deposit(n, times * rate, np.exp(rng.normal(0, 0.3, len(times)))), body)
        return unit(sound) + np.float32(rng.uniform(0.4, 2)) * unit(knocks)
    if way == "drive":
        carrier = uniform_log(rng, 300, 1400) * (1 + 0.5 * np.floor(3 * pace) / 3)
        phase, slow = turns_of(carrier, n, rate), turns_of(rng.uniform(20, 90) * pace, n, rate)
        tones = sum(turn_table(phase + k * slow, COSINE) for k in (-3, -1, 0, 1, 3))
        return unit(sound) + np.float32(rng.uniform(0.2, 1.5)) * unit(np.asarray(tones, np.float32))
    howl = np.zeros(n, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        hz = rng.uniform(900, 6000) * (1 + walk(rng, m, 0.4, 0.004))
        on = ramp_gate((walk(rng, m, 0.8, 1.0) > 0.3).astype(float), 0.1, 0.2)
        howl += turn_table(turns_of(hz, n, rate), COSINE) * on_samples(on, n, rate)
    return unit(sound) + np.float32(rng.uniform(0.2, 1.5)) * howl


def _hand_tool(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Impact wrench, jigsaw, grinder, air compressor: strikes at a steady pace, or a motor under load."""
    m = control_count(n, rate)
    way = str(rng.choice(["impact", "jigsaw", "grinder", "compressor"]))
    on = ramp_gate((walk(rng, m, 1.5, 1.0) > rng.uniform(-1.5, 0.3)).astype(float), 0.05, 0.15)
    if way == "grinder":
        hz: FloatArray = uniform_log(rng, 90, 190) * (1 - rng.uniform(0.05, 0.3) * on)
        hz = hz * (1 + walk(rng, m, 0.2, 0.01))
        turns = turns_of(hz, n, rate)
        orders = (
            1.0,
            2.0,
            float(rng.integers(3, 8)),
            float(rng.integers(8, 14)),
            float(rng.integers(20, 40)),
        )
        noise = shaped_noise(rng, n, rate, [(300, -25), (2500, -3), (6000, 0), (14000, -8), (20000, -20)])
        return unit(_tones(rng, turns, orders, float(hz.max()), rate)) + noise * on_samples(
            0.2 + 2 * on, n, rate
        )
    low, high, body_hz = {"impact": (15, 45, 6000), "jigsaw": (35, 60, 3000), "compressor": (8, 30, 1500)}[
        way
    ]
    hz = _wavering(rng, m, low, high, 0.02)
    turns = turns_of(hz, n, rate)
    count = np.arange(np.ceil(turns[0]), np.floor(turns[-1]))
    body = modes_kernel(rng, rate, count=14, low_hz=100, high_hz=body_hz, quality=(3, 30), longest_s=0.08)
    at = np.interp(count + rng.normal(0, 0.01, len(count)), turns, np.arange(n))
    strikes = convolve(deposit(n, at, np.exp(rng.normal(0, 0.25, len(count)))), body)
    motor = _tones(rng, turns * rng.uniform(5, 15), (1.0, 2.0, 3.0, 9.0), float(hz.max()) * 15, rate)
    noise = shaped_noise(rng, n, rate, [(100, -15), (800, 0), (5000, -5), (20000, -25)])
    gate = on_samples(on if way != "compressor" else np.ones(m), n, rate)
    sound = unit(strikes) * gate + np.float32(rng.uniform(0.1, 0.8)) * unit(motor)
    return sound + np.float32(rng.uniform(0.05, 0.6)) * noise


def _household(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Washing machine, blender, sewing machine, refrigerator, dishwasher, extractor."""
    m = control_count(n, rate)
    way = str(rng.choice(["spin", "blender", "sewing", "refrigerator", "dishwasher"]))
    run = _switched(rng, m)
    rush = shaped_noise(
        rng, n, rate, [(80, -12), (400, 0), (2500, rng.uniform(-14, 0)), (9000, -22), (20000, -40)]
    )
    if way == "refrigerator":
        mains = turns_of(np.full(m, 50.0 if rng.random() < 0.7 else 60.0), n, rate)
        hum = _tones(rng, mains, (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0), 60.0, rate)
        turn = _tones(
            rng, turns_of(_wavering(rng, m, 45, 60, 0.001), n, rate), (1.0, 2.0, 3.0, 5.0), 60.0, rate
        )
        return unit(hum) + np.float32(rng.uniform(0.2, 1)) * turn + np.float32(rng.uniform(0.05, 0.5)) * rush
    if way == "dishwasher":
        arm = 1 + np.float32(rng.uniform(0.2, 0.9)) * turn_table(
            turns_of(_wavering(rng, m, 0.3, 1.2), n, rate), COSINE
        )
        splash = shaped_noise(rng, n, rate, [(150, -8), (700, 0), (3000, -8), (12000, -30), (20000, -50)])
        motor = _tones(
            rng, turns_of(_wavering(rng, m, 45, 55, 0.002), n, rate), (1.0, 2.0, 4.0, 7.0), 55.0, rate
        )
        return splash * arm + np.float32(rng.uniform(0.1, 0.8)) * motor
    low, high, orders = {
        "spin": (8.0, 25.0, (1.0, 2.0, 3.0, 10.0, 20.0, 36.0, 48.0)),
        "blender": (150.0, 400.0, (1.0, 2.0, 3.0, 4.0, 11.0, 22.0)),
        "sewing": (5.0, 18.0, (1.0, 2.0, 3.0, 4.0)),
    }[way]
    hz = _wavering(rng, m, low, high, 0.015) * (0.15 + 0.85 * run)
    turns = turns_of(hz, n, rate)
    sound = unit(_tones(rng, turns, orders, float(hz.max()), rate))
    if way == "sewing":
        count = np.arange(np.ceil(turns[0]), np.floor(turns[-1]), 0.5)
        body = modes_kernel(rng, rate, count=12, low_hz=200, high_hz=6000, quality=(3, 18), longest_s=0.05)
        at = np.interp(count, turns, np.arange(n))
        sound = convolve(deposit(n, at, np.tile([1.0, 0.5], len(count))[: len(count)]), body)
        sound = unit(sound) + np.float32(0.3) * _tones(rng, turns * 9, (1.0, 2.0), float(hz.max()) * 9, rate)
    return sound + np.float32(uniform_log(rng, 0.2, 2)) * rush * on_samples(0.1 + run**2, n, rate)


def _works(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Ventilator, press, weaving machine, escalator, electric pump set, electric car that starts."""
    m = control_count(n, rate)
    way = str(rng.choice(["ventilator", "press", "weaving", "pump_set", "electric_car"]))
    noise = shaped_noise(
        rng, n, rate, [(50, -6), (250, 0), (1500, rng.uniform(-12, -3)), (8000, -25), (20000, -45)]
    )
    if way in {"press", "weaving"}:
        pace = uniform_log(rng, 0.4, 2) if way == "press" else uniform_log(rng, 2.5, 10)
        times = np.arange(rng.uniform(0, 1 / pace), n / rate, 1 / pace)
        times = np.concatenate([times, times + rng.uniform(0.1, 0.5) / pace])
        body = modes_kernel(rng, rate, count=16, low_hz=60, high_hz=5000, quality=(3, 40), longest_s=0.3)
        knocks = convolve(deposit(n, times * rate, np.exp(rng.normal(0, 0.2, len(times)))), body)
        return unit(knocks) + np.float32(rng.uniform(0.1, 0.8)) * noise
    if way == "electric_car":
        time = np.arange(m) / CONTROL_HZ
        hz = np.clip(rng.uniform(0, 10) + rng.uniform(-3, 8) * time, 0.5, 140)
        turns = turns_of(hz, n, rate)
        tones = _tones(rng, turns, (4.0, 8.0, 24.0, 48.0, 7.9), float(hz.max()), rate)
        tone = turn_table(turns_of(np.full(m, uniform_log(rng, 2000, 9000)), n, rate), COSINE)
        return unit(tones) + np.float32(rng.uniform(0, 0.3)) * tone + np.float32(rng.uniform(0.3, 2)) * noise
    hz = _wavering(rng, m, 12, 50, 0.002) * (0.2 + 0.8 * _switched(rng, m))
    turns = turns_of(hz, n, rate)
    blades = float(rng.integers(4, 14))
    orders = (
        (1.0, 2.0, blades, 2 * blades, 3 * blades) if way == "ventilator" else (1.0, 2.0, blades, 2 * blades)
    )
    tones = unit(_tones(rng, turns, orders, float(hz.max()), rate))
    mains = _tones(rng, turns_of(np.full(m, 100.0), n, rate), (1.0, 2.0, 3.0), 100.0, rate)
    share = rng.uniform(0.3, 1.5) if way == "ventilator" else rng.uniform(0.1, 0.5)
    return tones + np.float32(rng.uniform(0, 0.6)) * mains + np.float32(share) * noise


MACHINES: dict[str, Maker] = {
    "small_engine": _small_engine,
    "aircraft": _aircraft,
    "train": _train,
    "hand_tool": _hand_tool,
    "household": _household,
    "works": _works,
}
"""Machines without a steering pump, by name."""
