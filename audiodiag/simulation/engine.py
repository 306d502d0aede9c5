"""The engine itself: combustion and exhaust, valve gear, injectors, timing gear, broadband noise, a leak.

Structurally different ways to make the combustion sound are drawn from, sometimes two blended, so that no
single formula can be learnt from the clips.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray

from .driving import Driving
from .scene import cosine, gain, unit
from .signals import (
    convolve,
    convolve_sum,
    deposit,
    modes_kernel,
    on_samples,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["ENGINE_VARIANTS", "engine_sound"]

ENGINE_VARIANTS: dict[str, float] = {
    "pulses": 4,
    "harmonics": 3,
    "diesel": 2.5,
    "low_drone": 2,
    "plain_orders": 2.5,
    "cyclic_noise": 1.5,
}
"""Structural variants of the engine and how often each is drawn."""


@dataclass(frozen=True, eq=False)
class _Block:
    """An engine in a clip. times_s, strength, cylinder: shape (k,), one entry a firing.

    echo_db: how far the odd multiples of the firing order lie below the even ones, where each firing is heard
    twice, half a firing interval apart; 0 where it is heard once.
    """

    car: np.random.Generator
    rng: np.random.Generator
    driving: Driving
    turns: FloatArray
    rate: int
    cylinders: int
    times_s: FloatArray
    strength: FloatArray
    cylinder: NDArray[np.integer[Any]]
    echo_db: float = 0.0

    @property
    def n(self) -> int:
        return len(self.turns)

    def fires(self, weight: FloatArray | float = 1.0) -> FloatArray:
        """A pulse at each firing, shape (n,)."""
        return deposit(self.n, self.times_s * self.rate, self.strength * weight)


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

    ``car`` draws what belongs to the engine, ``rng`` what belongs to this clip. ``turns``: crank turns at
    each sample, shape (n,). The engine grows louder with speed, and a little with the steering's load.
    """
    block = _heard_twice(_fired(car, rng, driving, turns, rate, cylinders))
    sound = unit(_COMBUSTION[variant](block))
    if car.random() < 0.25:
        second = list(_COMBUSTION)[int(car.integers(len(_COMBUSTION)))]
        sound = sound + gain(car.uniform(-15, 0)) * unit(_COMBUSTION[second](block))
    if car.random() < 0.35:
        sound = sound + gain(car.uniform(-30, -4)) * _imbalance(block)
    sound = sound + gain(car.uniform(-24, 3)) * _breathing_noise(block)
    if car.random() < 0.8:
        sound += gain(car.uniform(-28, -2)) * _ticks(block, injectors=False)
    if car.random() < 0.5:
        sound += gain(car.uniform(-32, -4)) * _ticks(block, injectors=True)
    if car.random() < 0.5:
        sound += gain(car.uniform(-34, -8)) * _gear_tone(block)
    if car.random() < 0.12:
        sound += gain(car.uniform(-15, 2)) * _leak(block)
    louder = driving.rpm / driving.idle_rpm
    curve = louder ** car.uniform(0.4, 1.8) * (1 + car.uniform(0, 0.5) * driving.steering.load)
    curve = curve * np.exp(walk(rng, len(curve), 0.5, uniform_log(rng, 0.01, 0.12)))
    return sound * on_samples(curve, block.n, rate)


def _fired(
    car: np.random.Generator,
    rng: np.random.Generator,
    driving: Driving,
    turns: FloatArray,
    rate: int,
    cylinders: int,
) -> _Block:
    """Draw all firings: spread between cylinders, change from cycle to cycle, odd intervals, misfires."""
    # From engines whose cylinders cannot be told apart to one that lacks half a cylinder.
    kind = car.random()
    spread = (
        0.0 if kind < 0.2 else uniform_log(car, 0.003, 0.03) if kind < 0.5 else uniform_log(car, 0.03, 0.6)
    )
    own = np.clip(1 + spread * car.standard_normal(cylinders) + _built_pattern(car, cylinders), 0.05, 3)
    late = car.normal(0, uniform_log(car, 0.001, 0.015), cylinders) * (spread > 0 and car.random() < 0.6)
    if cylinders in (6, 8) and car.random() < 0.35:
        late[::2] += car.uniform(0.02, 0.12)
    cycles = np.arange(np.floor(driving.turns[0] / 2), np.ceil(driving.turns[-1] / 2) + 1)
    angle = 2 * (cycles[:, None] + (np.arange(cylinders) / cylinders)[None, :]) + late[None, :]
    cyclic = uniform_log(rng, 0.02, 0.35)
    strength = own[None, :] * np.exp(cyclic * rng.standard_normal(angle.shape) - cyclic**2 / 2)
    if rng.random() < 0.08:
        strength[rng.random(angle.shape) < rng.uniform(0.01, 0.06)] *= rng.uniform(0, 0.3)
    angle = angle + rng.normal(0, uniform_log(rng, 0.001, 0.015), angle.shape)
    number = np.broadcast_to(np.arange(cylinders)[None, :], angle.shape)
    times = driving.times_of_turns(angle.ravel())
    return _Block(car, rng, driving, turns, rate, cylinders, times, strength.ravel(), number.ravel())


def _heard_twice(block: _Block) -> _Block:
    """Let each firing be heard twice in some engines: inlet and exhaust, or injection before the main one.

    The second event comes about half a firing interval later, so that the even multiples of the firing order
    stand above the odd ones and the engine passes for one that turns twice as fast.
    """
    own, chance = block.car.spawn(1)[0], block.rng.spawn(1)[0]
    if own.random() < 0.6:
        return block
    interval = 120.0 / np.interp(block.times_s, block.driving.time_s, block.driving.rpm) / block.cylinders
    later = own.normal(0.5, 0.08) + own.normal(0, uniform_log(own, 0.002, 0.03), block.cylinders)
    spread = np.exp(uniform_log(own, 0.005, 0.3) * own.standard_normal(block.cylinders))
    share = own.uniform(0.25, 1.1)
    swing = np.exp(uniform_log(own, 0.02, 0.25) * chance.standard_normal(len(block.times_s)))
    inside = block.times_s > 0
    times = (block.times_s + later[block.cylinder] * interval)[inside]
    second = (share * spread[block.cylinder] * swing * np.sqrt(block.strength))[inside]
    return replace(
        block,
        times_s=np.concatenate([block.times_s, times]),
        strength=np.concatenate([block.strength, second]),
        cylinder=np.concatenate([block.cylinder, block.cylinder[inside]]),
        echo_db=float(-20 * np.log10(max(abs(1 - share) / (1 + share), 0.1))),
    )


def _built_pattern(car: np.random.Generator, cylinders: int) -> FloatArray:
    """How the build of the engine sets firings apart, in firing order: outer and inner cylinders, two banks.

    Common practice, no published source: firing order 1-3-4-2 alternates outer and inner cylinders,
    1-5-3-6-2-4 repeats outer, inner, middle; a V6 alternates its banks, a V8 does not quite.
    """
    if car.random() < 0.6:
        return np.zeros(cylinders)
    rows = {
        4: [[0, 1, 0, 1]],
        6: [[0, 1, 2, 0, 1, 2], [0, 1, 0, 1, 0, 1]],
        8: [[0, 1, 1, 0, 1, 0, 0, 1], [0, 1, 0, 1, 0, 1, 0, 1]],
    }.get(cylinders, [list(range(cylinders))])
    row = rows[int(car.integers(len(rows)))]
    group = uniform_log(car, 0.005, 0.4) * car.standard_normal(3 if cylinders in (4, 6, 8) else cylinders)
    return group[row]


def _imbalance(block: _Block) -> FloatArray:
    """Rotating and oscillating masses: orders 1 and 2 of the crank, whatever fires."""
    car = block.car
    sound = np.zeros(block.n, np.float32)
    for order in (1, 2):
        sound += gain(car.uniform(-12, 0)) * turn_table(block.turns * order, cosine(car.random()))
    return unit(sound)


def _pulses(block: _Block) -> FloatArray:
    """Each firing rings two bodies, near and far; a cylinder has its own share of each."""
    car = block.car
    pan = car.uniform(0, 1, block.cylinders)[block.cylinder]
    tilt = car.uniform(-9, -3)
    pairs = []
    for share, low, high in ((pan, 900, 5000), (1 - pan, 500, 2500)):
        body = modes_kernel(
            car,
            block.rate,
            count=int(car.integers(8, 24)),
            low_hz=car.uniform(25, 90),
            high_hz=uniform_log(car, low, high),
            quality=(1.5, 14),
            tilt_db_per_octave=tilt,
            direct=car.uniform(0, 0.1),
        )
        pairs.append((block.fires(share), body))
    return convolve_sum(pairs)


def _harmonics(block: _Block) -> FloatArray:
    """Half orders with a drawn smooth spectrum, firing multiples above the rest, through a broad body."""
    car, n = block.car, block.n
    count = int(car.integers(40, 160))
    half = np.arange(1, count + 1)
    level = car.uniform(-9, -3) * np.log2(np.maximum(half / block.cylinders, 0.3))
    level += np.interp(np.log(half), np.linspace(0, np.log(count), 9), car.normal(0, 6, 9))
    level += np.where(half % block.cylinders == 0, 0, -car.uniform(5, 50)) + car.normal(0, 3, count)
    level -= block.echo_db * _odd_multiples(half, block.cylinders)
    body = modes_kernel(
        car, block.rate, count=12, low_hz=50, high_hz=3000, quality=(1, 6), tilt_db_per_octave=-2, direct=0.6
    )
    total = np.zeros(n, np.float32)
    for _ in range(2):
        spectrum = np.zeros(8193, complex)
        spectrum[1 : count + 1] = 10 ** (level / 20) * np.exp(2j * np.pi * car.uniform(0, 1, count))
        drift = 1 + 0.5 * walk(block.rng, len(block.driving.rpm), uniform_log(block.rng, 0.1, 2), 0.7)
        total += turn_table(block.turns / 2, np.fft.irfft(spectrum)) * on_samples(drift, n, block.rate)
    order = np.argsort(block.times_s, kind="stable")
    cyclic = np.interp(np.arange(n) / block.rate, block.times_s[order], block.strength[order])
    return convolve(total * cyclic.astype(np.float32), body)


def _odd_multiples(half: NDArray[np.integer[Any]], cylinders: int) -> NDArray[np.bool_]:
    """Which half orders are odd multiples of the firing order."""
    return np.asarray(half % (2 * cylinders) == cylinders)


def _diesel(block: _Block) -> FloatArray:
    """Bursts of noise at firing through a clattering body, over low pulses."""
    car, rate = block.car, block.rate
    decay = car.uniform(0.0015, 0.008)
    t = np.arange(int(decay * 7 * rate)) / rate
    shape = np.exp(-t / decay) * np.minimum(1, t / car.uniform(0.0001, 0.0012))
    burst = block.rng.standard_normal(block.n, dtype=np.float32) * convolve(block.fires(), shape)
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
    knock = block.fires(np.sqrt(block.strength))
    high = convolve(burst + np.float32(car.uniform(0, 3)) * knock, clatter)
    return unit(high) * gain(car.uniform(-14, 4)) + unit(convolve(knock, low))


def _low_drone(block: _Block) -> FloatArray:
    """Intake and exhaust rule: long soft pulses through a pipe, with flow noise in the puffs."""
    car, rate = block.car, block.rate
    pulse = np.hanning(int(car.uniform(0.004, 0.015) * rate)).astype(np.float32)
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
    train = convolve(block.fires(), pulse)
    flow = shaped_noise(block.rng, block.n, rate, [(50, 0), (300, 0), (1500, -15), (8000, -35), (20000, -50)])
    puff = np.sqrt(np.maximum(train, 0) / (np.mean(np.abs(train)) + 1e-12))
    return unit(convolve(train, pipe)) + gain(car.uniform(-18, 0)) * flow * puff


def _plain_orders(block: _Block) -> FloatArray:
    """A few orders as bare sines over a bed of falling noise: no body at all."""
    car, n = block.car, block.n
    sound = np.zeros(n, np.float32)
    fall = car.uniform(2, 9)
    firing = block.cylinders / 2
    for k in range(1, int(car.integers(4, 14))):
        level = -fall * np.log2(k) + car.normal(0, 2) - block.echo_db * (k % 2)
        sound += gain(level) * turn_table(block.turns * (k * firing), cosine(car.random()))
    for order in (0.5, 1.0, 1.5, 2.5, 3.5, 4.5):
        if order % firing and car.random() < 0.6:
            sound += gain(car.uniform(-35, -8)) * turn_table(block.turns * order, cosine(car.random()))
    tilt = car.uniform(-7, -2)
    points = [(30.0, 0.0), (30.0 * 2**9.5, tilt * 9.5)]
    bed = shaped_noise(block.rng, n, block.rate, points)
    return unit(sound) + gain(car.uniform(-12, 6)) * bed


def _cyclic_noise(block: _Block) -> FloatArray:
    """A noise-like waveform that repeats each engine cycle, part of it new every time."""
    car, n = block.car, block.n
    count = int(car.integers(150, 1200))
    half = np.arange(1, count + 1)
    level = car.uniform(-6, -1.5) * np.log2(half) + car.normal(0, 3, count)
    level += np.where(half % block.cylinders == 0, car.uniform(2, 18), 0)
    level -= block.echo_db * _odd_multiples(half, block.cylinders)
    spectrum = np.zeros(8193, complex)
    spectrum[1 : count + 1] = 10 ** (level / 20) * np.exp(2j * np.pi * car.uniform(0, 1, count))
    repeated = unit(turn_table(block.turns / 2, np.fft.irfft(spectrum)))
    fresh = shaped_noise(block.rng, n, block.rate, [(40, 0), (200, 0), (1500, -8), (6000, -20), (20000, -40)])
    gate = 1 + np.float32(car.uniform(0.3, 1)) * turn_table(
        block.turns * (block.cylinders / 2), cosine(car.random())
    )
    body = modes_kernel(
        car, block.rate, count=16, low_hz=40, high_hz=4000, quality=(1, 8), tilt_db_per_octave=-3, direct=0.3
    )
    return convolve((repeated + np.float32(car.uniform(0.2, 1.5)) * fresh) * gate, body)


_COMBUSTION = {
    "pulses": _pulses,
    "harmonics": _harmonics,
    "diesel": _diesel,
    "low_drone": _low_drone,
    "plain_orders": _plain_orders,
    "cyclic_noise": _cyclic_noise,
}


def _breathing_noise(block: _Block) -> FloatArray:
    """Mechanical and flow noise, breathing at firing and at the half order."""
    car = block.car
    corners = np.sort(np.exp(car.uniform(np.log(80), np.log(14000), 5)))
    tilt = car.uniform(-7, -1)
    points = [(20.0, -30.0)]
    points += [(float(hz), float(tilt * np.log2(hz / 80) + car.normal(0, 5))) for hz in corners]
    points.append((24000.0, points[-1][1] - 12.0))
    noise = shaped_noise(block.rng, block.n, block.rate, points)
    table = 1 + car.uniform(0, 0.9) * cosine(car.random(), multiple=block.cylinders)
    table = table + car.uniform(0, 0.3) * cosine(car.random())
    return noise * turn_table(block.turns / 2, np.maximum(table, 0.02))


def _ticks(block: _Block, *, injectors: bool) -> FloatArray:
    """Valve gear (half order times valves) or injectors (a click to open, one to close)."""
    car, driving = block.car, block.driving
    if injectors:
        opening = np.arange(block.cylinders) / block.cylinders + car.random()
        place = np.concatenate([opening, opening + car.uniform(0.01, 0.06)])
    else:
        place = np.sort(car.uniform(0, 1, block.cylinders * int(car.choice([2, 2, 4, 4]))))
    loud = np.exp(car.normal(0, uniform_log(car, 0.1, 0.9), len(place)))
    cycles = np.arange(np.floor(driving.turns[0] / 2), np.ceil(driving.turns[-1] / 2) + 1)
    angle = 2 * (cycles[:, None] + place[None, :])
    strength = loud[None, :] * np.exp(0.25 * block.rng.standard_normal(angle.shape))
    times = driving.times_of_turns(angle.ravel())
    inside = times > 0
    times = times[inside] + block.rng.normal(0, 0.0003, int(inside.sum()))
    kernel = modes_kernel(
        car,
        block.rate,
        count=int(car.integers(3, 9)),
        low_hz=car.uniform(800, 2500),
        high_hz=car.uniform(4000, 14000),
        quality=(4, 40),
        tilt_db_per_octave=car.uniform(-4, 2),
        longest_s=0.04,
    )
    return unit(convolve(deposit(block.n, times * block.rate, strength.ravel()[inside]), kernel))


def _gear_tone(block: _Block) -> FloatArray:
    """Timing chain or gear mesh: whole high orders of the crank (or half of them), with runout."""
    car = block.car
    order = float(car.integers(17, 48)) * (1.0 if car.random() < 0.6 else 0.5)
    table = np.zeros(4096, np.float32)
    for k in range(1, 4):
        table += np.float32(car.uniform(0.1, 1) / k) * cosine(car.random(), multiple=k)
    wander = np.exp(walk(block.rng, len(block.driving.rpm), 0.4, 0.35))
    runout = 1 + np.float32(car.uniform(0, 0.6)) * turn_table(block.turns, cosine())
    return unit(turn_table(block.turns * order, table) * on_samples(wander, block.n, block.rate) * runout)


def _leak(block: _Block) -> FloatArray:
    """Exhaust leak: puffs of hiss when one cylinder (or each) fires."""
    car = block.car
    mine = block.cylinder == 0 if car.random() < 0.7 else block.cylinder >= 0
    shape = np.hanning(int(car.uniform(0.006, 0.03) * block.rate))
    puff = np.maximum(convolve(block.fires(mine.astype(float)), shape), 0)
    noise = shaped_noise(
        block.rng, block.n, block.rate, [(80, -12), (300, 0), (2000, -3), (6000, -14), (20000, -30)]
    )
    return unit(noise * puff)
