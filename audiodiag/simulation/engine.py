"""The engine and the healthy parts around it: combustion, valve gear, injectors, fan, alternator, idlers.

Four structurally different ways to make the combustion sound are drawn from, so that no single formula can
be learnt from the clips.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .driving import Driving
from .signals import (
    convolve,
    convolve_sum,
    deposit,
    modes_kernel,
    on_samples,
    power,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["ENGINE_VARIANTS", "engine_sound", "healthy_parts"]

ENGINE_VARIANTS: dict[str, float] = {"pulses": 4, "harmonics": 3, "diesel": 2.5, "low_drone": 2}
"""Structural variants of the engine and how often each is drawn."""


def _unit(sound: FloatArray) -> FloatArray:
    return sound / np.float32(np.sqrt(power(sound)) + 1e-20)


def _gain(level_db: float) -> np.float32:
    return np.float32(10.0 ** (level_db / 20.0))


def _firing(
    car: np.random.Generator, rng: np.random.Generator, driving: Driving, cylinders: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times in s, amplitudes and cylinder numbers of all firings."""
    spread = 0.02 if car.random() < 0.25 else uniform_log(car, 0.03, 0.6)
    strength = np.clip(1 + spread * car.standard_normal(cylinders), 0.05, 3)
    late = car.normal(0, 0.01, cylinders) * (car.random() < 0.6)
    if cylinders in (6, 8) and car.random() < 0.35:
        late[::2] += car.uniform(0.02, 0.12)
    first, last = np.floor(driving.turns[0] / 2), np.ceil(driving.turns[-1] / 2)
    cycles = np.arange(first, last + 1)
    angle = 2 * (cycles[:, None] + (np.arange(cylinders) / cylinders)[None, :]) + late[None, :]
    cyclic = uniform_log(rng, 0.02, 0.35)
    amplitude = strength[None, :] * np.exp(cyclic * rng.standard_normal(angle.shape) - cyclic**2 / 2)
    if rng.random() < 0.08:
        amplitude[rng.random(angle.shape) < rng.uniform(0.01, 0.06)] *= rng.uniform(0, 0.3)
    angle = angle + rng.normal(0, uniform_log(rng, 0.001, 0.015), angle.shape)
    number = np.broadcast_to(np.arange(cylinders)[None, :], angle.shape)
    return driving.times_of_turns(angle.ravel()), amplitude.ravel(), number.ravel()


def engine_sound(
    car: np.random.Generator,
    rng: np.random.Generator,
    driving: Driving,
    turns: FloatArray,
    rate: int,
    *,
    cylinders: int,
    variant: str,
) -> FloatArray:
    """Make the engine alone, float32 shape (n,), before the way to the microphone.

    ``car`` draws what belongs to the engine, ``rng`` what belongs to this clip.
    """
    n = len(turns)
    times, amplitude, number = _firing(car, rng, driving, cylinders)
    speed = on_samples(driving.rpm / driving.idle_rpm, n, rate)
    loud = speed ** np.float32(car.uniform(0.4, 1.8))
    rms = 1.0
    sound = np.zeros(n, np.float32)
    combustion = {
        "pulses": _pulses,
        "harmonics": _harmonics,
        "diesel": _diesel,
        "low_drone": _low_drone,
    }[variant](car, rng, turns, rate, times, amplitude, number, cylinders)
    sound += _unit(combustion)
    sound += _gain(car.uniform(-22, 2)) * _modulated_noise(car, rng, turns, rate, cylinders)
    if car.random() < 0.8:
        sound += _gain(car.uniform(-25, -2)) * _ticks(car, rng, driving, n, rate, cylinders)
    if car.random() < 0.5:
        sound += _gain(car.uniform(-30, -4)) * _ticks(car, rng, driving, n, rate, cylinders, injectors=True)
    if car.random() < 0.5:
        sound += _gain(car.uniform(-32, -8)) * _gear_tone(car, rng, turns, rate)
    if car.random() < 0.12:
        sound += _gain(car.uniform(-15, 2)) * _leak(car, rng, n, rate, times, amplitude, number)
    return sound * loud * np.float32(rms)


def _pulses(car, rng, turns, rate, times, amplitude, number, cylinders):  # type: ignore[no-untyped-def]
    n = len(turns)
    pan = car.uniform(0, 1, cylinders)[number]
    near = deposit(n, times * rate, amplitude * pan)
    far = deposit(n, times * rate, amplitude * (1 - pan))
    tilt = car.uniform(-9, -3)
    pairs = []
    for train, top in ((near, uniform_log(car, 900, 5000)), (far, uniform_log(car, 500, 2500))):
        body = modes_kernel(
            car,
            rate,
            count=int(car.integers(8, 24)),
            low_hz=car.uniform(25, 90),
            high_hz=top,
            quality=(1.5, 14),
            tilt_db_per_octave=tilt,
            direct=car.uniform(0, 0.1),
        )
        pairs.append((train, body))
    return convolve_sum(pairs)


def _harmonics(car, rng, turns, rate, times, amplitude, number, cylinders):  # type: ignore[no-untyped-def]
    n = len(turns)
    count = int(car.integers(40, 160))
    half = np.arange(1, count + 1)
    firing = half % cylinders == 0
    level = car.uniform(-9, -3) * np.log2(np.maximum(half / cylinders, 0.3))
    level += np.interp(np.log(half), np.linspace(0, np.log(count), 9), car.normal(0, 6, 9))
    level += np.where(firing, 0, -car.uniform(8, 35)) + car.normal(0, 3, count)
    body = modes_kernel(
        car, rate, count=12, low_hz=50, high_hz=3000, quality=(1, 6), tilt_db_per_octave=-2, direct=0.6
    )
    total = np.zeros(n, np.float32)
    for _ in range(2):
        spectrum = np.zeros(8193, complex)
        spectrum[1 : count + 1] = 10 ** (level / 20) * np.exp(2j * np.pi * car.uniform(0, 1, count))
        table = np.fft.irfft(spectrum)
        drift = on_samples(1 + 0.5 * walk(rng, 200 * (n // rate + 2), uniform_log(rng, 0.1, 2), 0.7), n, rate)
        total += turn_table(turns / 2, table) * drift
    slow = np.interp(np.arange(n) / rate, *_by_time(times, amplitude))
    return convolve(total * slow.astype(np.float32), body)


def _by_time(times: FloatArray, amplitude: FloatArray) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(times, kind="stable")
    spread = amplitude[order]
    return times[order], spread / np.mean(spread)


def _diesel(car, rng, turns, rate, times, amplitude, number, cylinders):  # type: ignore[no-untyped-def]
    n = len(turns)
    decay = car.uniform(0.0015, 0.008)
    length = int(decay * 7 * rate)
    t = np.arange(length) / rate
    shape = np.exp(-t / decay) * np.minimum(1, t / car.uniform(0.0001, 0.0012))
    envelope = convolve(deposit(n, times * rate, amplitude), shape)
    noise = rng.standard_normal(n, dtype=np.float32) * envelope
    clatter = modes_kernel(
        car,
        rate,
        count=int(car.integers(8, 20)),
        low_hz=car.uniform(300, 900),
        high_hz=car.uniform(2500, 7000),
        quality=(2, 15),
        tilt_db_per_octave=car.uniform(-5, 1),
        direct=0.2,
        longest_s=0.05,
    )
    low = modes_kernel(car, rate, count=8, low_hz=30, high_hz=500, quality=(1.5, 8), tilt_db_per_octave=-6)
    knock = deposit(n, times * rate, amplitude**1.5)
    high = _unit(convolve_sum([(noise, clatter), (knock * np.float32(car.uniform(0, 3)), clatter)]))
    return high * _gain(car.uniform(-14, 4)) + _unit(convolve(knock, low))


def _low_drone(car, rng, turns, rate, times, amplitude, number, cylinders):  # type: ignore[no-untyped-def]
    n = len(turns)
    width = int(car.uniform(0.004, 0.015) * rate)
    pulse = np.hanning(width).astype(np.float32)
    pipe = modes_kernel(
        car,
        rate,
        count=int(car.integers(3, 7)),
        low_hz=30,
        high_hz=car.uniform(200, 500),
        quality=(2, 12),
        tilt_db_per_octave=-4,
        direct=0.3,
        longest_s=0.3,
    )
    train = convolve(deposit(n, times * rate, amplitude), pulse)
    flow = shaped_noise(rng, n, rate, [(50, 0), (300, 0), (1500, -15), (8000, -35), (20000, -50)])
    puff = np.sqrt(np.maximum(train, 0) / (np.mean(np.abs(train)) + 1e-12))
    return _unit(convolve(train, pipe)) + _gain(car.uniform(-18, 0)) * flow * puff


def _modulated_noise(car, rng, turns, rate, cylinders):  # type: ignore[no-untyped-def]
    """Mechanical and flow noise, breathing at firing and at the half order."""
    f = np.sort(np.exp(car.uniform(np.log(80), np.log(14000), 5)))
    tilt = car.uniform(-7, -1)
    points = [(20.0, -30.0)] + [(float(x), float(tilt * np.log2(x / 80) + car.normal(0, 5))) for x in f]
    points.append((24000.0, points[-1][1] - 12.0))
    noise = shaped_noise(rng, len(turns), rate, points)
    phase = np.arange(1024) / 1024
    depth = car.uniform(0, 0.9)
    table = 1 + depth * np.cos(2 * np.pi * (cylinders * phase + car.random()))
    table += car.uniform(0, 0.3) * np.cos(2 * np.pi * (phase + car.random()))
    return noise * turn_table(turns / 2, np.maximum(table, 0.02))


def _ticks(car, rng, driving, n, rate, cylinders, *, injectors=False):  # type: ignore[no-untyped-def]
    """Valve gear (half order times valves) or injector ticks (opening and closing clicks)."""
    per_cycle = cylinders * (2 if injectors else int(car.choice([2, 2, 4, 4])))
    place = np.sort(car.uniform(0, 1, per_cycle)) if not injectors else _injector_places(car, cylinders)
    loud = np.exp(car.normal(0, uniform_log(car, 0.1, 0.9), per_cycle))
    cycles = np.arange(np.floor(driving.turns[0] / 2), np.ceil(driving.turns[-1] / 2) + 1)
    angle = (2 * (cycles[:, None] + place[None, :])).ravel()
    amplitude = (loud[None, :] * np.exp(0.25 * rng.standard_normal((len(cycles), per_cycle)))).ravel()
    times = driving.times_of_turns(angle) + rng.normal(0, 0.0003, len(angle))
    kernel = modes_kernel(
        car,
        rate,
        count=int(car.integers(3, 9)),
        low_hz=car.uniform(800, 2500),
        high_hz=car.uniform(4000, 14000),
        quality=(4, 40),
        tilt_db_per_octave=car.uniform(-4, 2),
        longest_s=0.04,
    )
    return _unit(convolve(deposit(n, times * rate, amplitude), kernel))


def _injector_places(car: np.random.Generator, cylinders: int) -> FloatArray:
    opening = np.arange(cylinders) / cylinders + car.random()
    return np.concatenate([opening, opening + car.uniform(0.01, 0.06)])


def _gear_tone(car, rng, turns, rate):  # type: ignore[no-untyped-def]
    """Timing chain or gear mesh: whole high orders of the crank (or half of them)."""
    order = float(car.integers(17, 48)) * (1.0 if car.random() < 0.6 else 0.5)
    phase = np.arange(4096) / 4096
    table = np.zeros(4096)
    for k in range(1, 4):
        table += car.uniform(0.1, 1) / k * np.cos(2 * np.pi * (k * phase + car.random()))
    m = 200 * (len(turns) // rate + 2)
    wander = on_samples(np.exp(walk(rng, m, 0.4, 0.35)), len(turns), rate)
    runout = 1 + car.uniform(0, 0.6) * turn_table(turns, np.cos(2 * np.pi * np.arange(1024) / 1024))
    return _unit(turn_table(turns * order, table) * wander * runout)


def _leak(car, rng, n, rate, times, amplitude, number):  # type: ignore[no-untyped-def]
    """Exhaust leak: puffs of hiss when one (or each) cylinder fires."""
    mine = number == 0 if car.random() < 0.7 else number >= 0
    length = int(car.uniform(0.006, 0.03) * rate)
    shape = np.hanning(length)
    puff = convolve(deposit(n, times[mine] * rate, amplitude[mine]), shape)
    noise = shaped_noise(rng, n, rate, [(80, -12), (300, 0), (2000, -3), (6000, -14), (20000, -30)])
    return _unit(noise * np.maximum(puff, 0))


def healthy_parts(
    car: np.random.Generator,
    rng: np.random.Generator,
    driving: Driving,
    turns: FloatArray,
    rate: int,
) -> dict[str, FloatArray]:
    """Make the sounds of healthy parts that can be mistaken for a fault; unit power times their level.

    Levels are relative to an engine of unit power. Keys: alternator, fan, idler, turbo.
    """
    n = len(turns)
    m = 200 * (n // rate + 2)
    parts: dict[str, FloatArray] = {}
    if car.random() < 0.55:
        ratio = car.uniform(1.8, 3.3)
        poles = float(car.choice([6, 12, 36, 6, 36]))
        steps = np.where(
            np.sin(np.arange(m) / 200 * car.uniform(0.2, 2) + rng.uniform(0, 6)) > rng.uniform(-1, 1), 1, 0.4
        )
        tone = np.zeros(n, np.float32)
        for k, level in ((1, 1.0), (2, car.uniform(0, 0.6)), (3, car.uniform(0, 0.4))):
            phase = np.cos(2 * np.pi * (np.arange(2048) / 2048 + car.random()))
            tone += (
                np.float32(level) * turn_table(turns * ratio * poles * k, phase)
                if (ratio * poles * k * np.max(driving.rpm) / 60 < 0.45 * rate)
                else 0
            )
        wander = np.exp(walk(rng, m, 0.5, 0.3)) * steps
        slot = shaped_noise(rng, n, rate, [(200, -20), (1500, 0), (5000, -3), (16000, -20)])
        sound = tone * on_samples(wander, n, rate) + np.float32(car.uniform(0, 0.6)) * slot
        parts["alternator"] = _unit(sound) * _gain(car.uniform(-36, -10))
    if car.random() < 0.35:
        parts["fan"] = _fan(car, rng, turns, rate, m) * _gain(car.uniform(-26, -4))
    if car.random() < 0.45:
        tone = np.zeros(n, np.float32)
        for _ in range(int(car.integers(1, 4))):
            order = car.uniform(0.8, 3.5) * float(car.choice([1, 5, 6, 7, 8, 9, 11]))
            cosine = np.cos(2 * np.pi * (np.arange(2048) / 2048 + car.random()))
            tone += np.float32(car.uniform(0.1, 1)) * turn_table(turns * order, cosine)
        parts["idler"] = _unit(tone * on_samples(np.exp(walk(rng, m, 0.6, 0.5)), n, rate)) * _gain(
            car.uniform(-36, -12)
        )
    if car.random() < 0.1:
        base = car.uniform(2500, 7000)
        relative = on_samples(driving.rpm / driving.idle_rpm, n, rate)
        hz = np.minimum(base * relative ** np.float32(0.7), 0.4 * rate)
        phase = np.cumsum(hz.astype(np.float64)) / rate
        tone = turn_table(phase, np.cos(2 * np.pi * np.arange(2048) / 2048))
        parts["turbo"] = _unit(tone * on_samples(np.exp(walk(rng, m, 0.3, 0.5)), n, rate)) * _gain(
            car.uniform(-40, -18)
        )
    return parts


def _fan(car, rng, turns, rate, m):  # type: ignore[no-untyped-def]
    """Electric fan (own speed, may start or stop in the clip) or belt-driven fan (order blades x ratio)."""
    n = len(turns)
    electric = car.random() < 0.7
    blades = float(car.integers(4, 12))
    if electric:
        hz = rng.uniform(18, 50) * (1 + walk(rng, m, 2, 0.004))
        on = np.ones(m)
        if rng.random() < 0.5:
            edge = rng.uniform(0, m / 200)
            run = np.clip((np.arange(m) / 200 - edge) / rng.uniform(0.5, 2), 0, 1)
            on = run if rng.random() < 0.5 else 1 - run
        phase = np.interp(np.arange(n) / rate, np.arange(m) / 200, np.cumsum(hz * (0.3 + 0.7 * on)) / 200)
        gain = on_samples(on**2, n, rate)
    else:
        phase = turns * car.uniform(0.8, 1.4)
        gain = np.ones(n, np.float32)
    table = np.zeros(4096)
    for k in range(1, 5):
        table += car.uniform(0.2, 1) / k * np.cos(2 * np.pi * (k * np.arange(4096) / 4096 + car.random()))
    rush = shaped_noise(rng, n, rate, [(50, -10), (200, 0), (1200, -4), (5000, -18), (20000, -40)])
    swing = 1 + 0.3 * turn_table(phase * blades, np.cos(2 * np.pi * np.arange(1024) / 1024))
    sound = np.float32(car.uniform(0, 1)) * turn_table(phase * blades, table) + rush * swing
    return _unit(sound + np.float32(1e-9)) * gain
