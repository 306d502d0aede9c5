"""The engine of the bay made afresh: events at crank angles that strike bodies and pipes, a cycle's wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray

from .running import Run
from .tools import (
    Modes,
    by_table,
    even,
    evenly,
    hump_noise,
    kernel,
    log_even,
    modes_of,
    ringing,
    sine,
    spread,
    strewn,
    wander,
)

__all__ = ["MOTORS", "crank_events", "make_motor"]

MOTORS: dict[str, float] = {
    "iron": 0.2,
    "pipes": 0.2,
    "two_knocks": 0.15,
    "breath": 0.12,
    "cycle_wave": 0.15,
    "gas_torque": 0.1,
    "gear_train": 0.08,
}
"""How the engine is made, with its weight.

Strikes of combustion on a body of many modes; pressure let out into pipes that send it back; two strikes
a firing and pistons that slap; suction noise by crank angle; a random wave of one cycle; the turning
force's ripple, felt through the body; covers, valves and gears over a faint firing.
"""


@dataclass(frozen=True, eq=False)
class _Firings:
    """Firings in order. when: sample; strength, cylinder: shape (k,). places: share of a cycle, (c,)."""

    when: FloatArray
    strength: FloatArray
    cylinder: NDArray[np.int64]
    places: FloatArray


def crank_events(
    rng: np.random.Generator, run: Run, places: FloatArray, jitter: float = 0.0
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Sample of events at fixed places (share of a cycle of two crank turns), and which place each is.

    Both of shape (k,); jitter: spread in shares of a cycle.
    """
    cycles = int(run.turns[-1] / 2) + 2
    at = np.arange(-1, cycles)[:, None] + places[None, :]
    if jitter:
        at = at + rng.normal(0, jitter, at.shape)
    which = np.tile(np.arange(len(places)), cycles + 1)
    return run.samples_at(2 * at.ravel()), which


def _firings(rng: np.random.Generator, run: Run, cylinders: int) -> _Firings:
    places = np.arange(cylinders) / cylinders
    if cylinders % 2 == 0 and cylinders > 4 and rng.random() < 0.25:
        places = places + even(rng, 0.01, 0.1) / cylinders * (np.arange(cylinders) % 2)
    places = (places + rng.normal(0, even(rng, 0.0, 0.004), cylinders) + even(rng, 0, 0.1)) % 1.0
    when, cylinder = crank_events(rng, run, places, even(rng, 0.0005, 0.004))
    own = rng.lognormal(0, log_even(rng, 0.03, 0.3), cylinders)
    if rng.random() < 0.07:
        own[int(rng.integers(cylinders))] *= even(rng, 0.3, 0.7)  # one cylinder works less
    strength = own[cylinder] * rng.lognormal(0, log_even(rng, 0.04, 0.3), len(when))
    return _Firings(when, strength, cylinder, places)


def _struck(
    rng: np.random.Generator,
    run: Run,
    when: FloatArray,
    heights: FloatArray,
    which: NDArray[np.int64],
    modes: Modes,
) -> FloatArray:
    """Strikes on a body that answers each place of them by a mixture of two kernels of its own."""
    other = Modes(modes.hz, modes.fall_s, modes.height * rng.normal(0, 1, len(modes.hz)))
    lean = rng.normal(0, even(rng, 0.1, 0.7), int(which.max()) + 1)[which]
    return ringing(
        [
            (strewn(run.n, when, heights), kernel(modes, run.rate)),
            (strewn(run.n, when, heights * lean), kernel(other, run.rate)),
        ]
    )


def make_motor(rng: np.random.Generator, run: Run, cylinders: int, variant: str) -> FloatArray:
    """Sound of an engine in good order near the phone, mean square 1, shape (n,)."""
    fired = _firings(rng, run, cylinders)
    makers = {
        "iron": _iron,
        "pipes": _pipes,
        "two_knocks": _two_knocks,
        "breath": _breath,
        "cycle_wave": _cycle_wave,
        "gas_torque": _gas_torque,
        "gear_train": _gear_train,
    }
    whole = evenly(makers[variant](rng, run, fired, cylinders))
    if rng.random() < 0.5:  # most bays sound of more than one thing
        other = ("iron", "pipes", "cycle_wave", "gas_torque")[int(rng.integers(4))]
        whole = whole + _db(rng, -14, -2) * evenly(makers[other](rng, run, fired, cylinders))
    whole = whole + _db(rng, -30, -8) * _ticks(rng, run, cylinders)
    rush = _rush(rng, run, cylinders)
    whole = whole + _db(rng, -24, -4) * rush
    effort = 1 + np.float32(even(rng, 0.0, 0.5)) * np.clip(run.pull / 2500, -0.4, 1.2)
    effort += np.float32(even(rng, 0.0, 0.15)) * run.pressure
    return evenly(whole * run.stronger(even(rng, 0.5, 1.6)) * effort)


def _db(rng: np.random.Generator, low: float, high: float) -> np.float32:
    return np.float32(10 ** (even(rng, low, high) / 20))


def _iron(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    low = modes_of(rng, int(rng.integers(3, 9)), 45, 400, quality=(1.0, 5.0), slope=even(rng, 0.2, 1.0))
    body = modes_of(
        rng,
        int(rng.integers(8, 30)),
        350,
        even(rng, 3000, 7000),
        quality=(3.0, 18.0),
        slope=even(rng, 0.6, 2.0),
    )
    deep = ringing([(strewn(run.n, fired.when, fired.strength), kernel(low, run.rate))])
    high = _struck(rng, run, fired.when, fired.strength ** even(rng, 1, 2), fired.cylinder, body)
    return evenly(deep) + _db(rng, -12, 6) * evenly(high)


def _pipes(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    """Each firing lets pressure out into a pipe of its bank; the open end sends it back turned over."""
    out_s = even(rng, 0.0015, 0.007)
    t = np.arange(int(run.rate * 3 * out_s) + 8) / run.rate
    puff = (t / out_s) ** even(rng, 0.8, 2.5) * np.exp(-t / out_s) * (1 - even(rng, 0, 0.3) * t / out_s)
    banks = 2 if cylinders >= 5 and rng.random() < 0.6 else 1
    pairs = []
    for bank in range(banks):
        there_s, back = even(rng, 0.9, 5.0) / 340, even(rng, 0.3, 0.85)
        answer = np.zeros(int(0.3 * run.rate), np.float64)
        for k in range(int(0.28 / (2 * there_s))):
            at = int(2 * there_s * k * run.rate)
            answer[at] += (-back) ** k if rng.random() < 0.97 else 0.0
        box = int(even(rng, 0.001, 0.02) * run.rate)
        answer[box:] += even(rng, 0.0, 0.8) * answer[:-box]  # a box on the way
        answer = np.convolve(answer, puff - puff.mean())
        mine = (fired.cylinder % banks) == bank
        train = strewn(run.n, fired.when[mine], fired.strength[mine] * even(rng, 0.7, 1.0))
        wave = answer if rng.random() < 0.6 else np.diff(answer)
        pairs.append((train, evenly(wave.astype(np.float32))))
    return ringing(pairs)


def _two_knocks(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    body = modes_of(
        rng, int(rng.integers(12, 40)), 500, even(rng, 3500, 6500), quality=(4, 15), slope=even(rng, 0.5, 1.6)
    )
    first_s = even(rng, 0.0008, 0.004)
    early = fired.when - first_s * run.rate
    both = np.concatenate([early, fired.when])
    heights = np.concatenate([even(rng, 0.1, 0.8) * rng.permutation(fired.strength), fired.strength])
    knock = _struck(rng, run, both, heights, np.tile(fired.cylinder, 2), body)
    slap = modes_of(rng, int(rng.integers(5, 12)), 400, 2600, quality=(3, 9))
    late, which = crank_events(rng, run, (fired.places + even(rng, 0.01, 0.06)) % 1.0, 0.004)
    slaps = _struck(rng, run, late, rng.lognormal(0, 0.4, len(late)), which, slap)
    thump = kernel(modes_of(rng, 5, 50, 350, quality=(1, 4)), run.rate)
    deep = ringing([(strewn(run.n, fired.when, fired.strength), thump)])
    return evenly(knock) + _db(rng, -14, 0) * evenly(slaps) + _db(rng, -6, 6) * evenly(deep)


def _breath(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    """Air drawn in through a box: a boom of the box, and noise while each valve is open."""
    sweep = ((run.turns * (cylinders / 2)) % 1.0).astype(np.float32)
    open_ = np.float32(even(rng, 0.35, 0.9))
    window = np.maximum(np.sin(np.pi * np.clip(sweep / open_, 0, 1)), 0) ** np.float32(even(rng, 0.7, 2.5))
    humps = [(log_even(rng, 200, 3500), even(rng, 0.4, 2.5), even(rng, 0.2, 1)) for _ in range(3)]
    noise = hump_noise(rng, run.n, run.rate, humps, floor=(300, even(rng, 3, 8), 0.1))
    box = modes_of(rng, int(rng.integers(3, 8)), 70, 600, quality=(2, 8), slope=even(rng, 0.2, 0.8))
    boom = ringing([(strewn(run.n, fired.when, fired.strength), kernel(box, run.rate))])
    depth = np.float32(even(rng, 0.4, 1.0))
    return evenly(noise * (1 - depth + depth * window)) + _db(rng, -8, 8) * evenly(boom)


def _cycle_wave(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    """A wave of one cycle, its half orders drawn, and a second wave that flickers in it."""
    order = np.arange(1, 160)
    fall = (order / cylinders + 0.5) ** -even(rng, 0.6, 1.6)
    firing = np.where(order % cylinders == 0, 1.0, 10 ** (even(rng, -26, -8) / 20))
    tables = []
    for _ in range(2):
        line = np.zeros(2049, complex)
        swing = np.exp(2j * np.pi * rng.random(len(order))) * rng.lognormal(
            0, even(rng, 0.3, 0.9), len(order)
        )
        line[order] = fall * firing * swing
        tables.append(np.fft.irfft(line, 4096))
    cycle = run.turns / 2
    flicker = np.float32(even(rng, 0.1, 0.5)) * wander(rng, run.n, run.rate, even(rng, 0.08, 0.6))
    wave = by_table(tables[0], cycle) + flicker * by_table(tables[1], cycle)
    body = modes_of(rng, int(rng.integers(6, 16)), 80, 3000, quality=(1, 6), slope=even(rng, 0.5, 1.6))
    return evenly(wave) + _db(rng, -12, 4) * evenly(ringing([(wave, kernel(body, run.rate))]))


def _gas_torque(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    """Turning force of gas and of masses over a cycle; its change is what the body radiates."""
    angle = np.arange(2048) / 2048
    torque = np.zeros(2048)
    own = rng.lognormal(0, log_even(rng, 0.03, 0.25), cylinders)
    decay = even(rng, 0.03, 0.08)
    for place, strong in zip(fired.places, own, strict=True):
        after = (angle - place) % 1.0
        gas = np.exp(-after / decay) * np.sin(2 * np.pi * np.minimum(2 * after, 0.5))
        squeeze = -even(rng, 0.1, 0.3) * np.exp(-((1 - after) / 0.05))
        torque += strong * (gas + squeeze)
    masses = even(rng, 0, 0.5) * np.ptp(torque) / 2 * np.sin(4 * np.pi * 2 * angle + even(rng, 0, 6))
    cycle = run.turns / 2
    fast = np.square(run.rpm / np.float32(run.idle_rpm)) * np.float32(even(rng, 0.05, 0.3))
    wave = by_table(np.gradient(torque), cycle) + fast * by_table(np.gradient(masses), cycle)
    body = modes_of(rng, int(rng.integers(8, 24)), 60, 1800, quality=(1.5, 10), slope=even(rng, 0.5, 1.6))
    return evenly(wave) + _db(rng, 0, 12) * evenly(ringing([(wave, kernel(body, run.rate))]))


def _gear_train(rng: np.random.Generator, run: Run, fired: _Firings, cylinders: int) -> FloatArray:
    """A well muffled engine: chain or gears, valves and covers over a faint firing."""
    mesh = np.zeros(run.n, np.float32)
    teeth = int(rng.integers(18, 33))
    shake = np.float32(even(rng, 0.02, 0.2)) * wander(rng, run.n, run.rate, 0.05)
    for k in (1, 2):
        tooth = sine(run.turns * (teeth * k) + shake * k + rng.random())
        mesh += np.float32(even(rng, 0.2, 1.0) / k) * tooth * (1 + np.float32(0.5) * sine(run.turns + 0.3))
    swell = 1 + np.float32(even(rng, 0.1, 0.5)) * wander(rng, run.n, run.rate, 0.1)
    deep = _iron(rng, run, fired, cylinders)
    ticks = _ticks(rng, run, cylinders)
    return evenly(deep) + _db(rng, -16, -3) * evenly(mesh * swell) + _db(rng, -12, 0) * ticks


def _ticks(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Valves that close and injectors that open and shut, each with a body of its own."""
    pairs = []
    for number, jitter, band in ((2, 0.002, (1200, 7000)), (int(rng.integers(0, 3)), 0.0004, (2500, 11000))):
        for _ in range(number):
            places = (np.arange(cylinders) / cylinders + rng.normal(0, 0.003, cylinders) + rng.random()) % 1.0
            own = rng.lognormal(0, even(rng, 0.1, 0.7), cylinders)
            when, which = crank_events(rng, run, places, jitter)
            body = modes_of(rng, int(rng.integers(4, 11)), *band, quality=(5, 25), slope=even(rng, 0, 1))
            heights = own[which] * rng.lognormal(0, 0.12, len(which))
            pairs.append((strewn(run.n, when, heights), kernel(body, run.rate)))
    return evenly(ringing(pairs))


def _rush(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Flow through the engine and air around it, which swells by crank angle as drawn."""
    humps = [(log_even(rng, 100, 6000), even(rng, 0.8, 3.5), log_even(rng, 0.05, 1)) for _ in range(3)]
    noise = hump_noise(rng, run.n, run.rate, humps, floor=(log_even(rng, 60, 500), even(rng, 2.5, 7), 0.5))
    bumps = np.convolve(np.tile(rng.random(int(cylinders * rng.integers(1, 4))), 3), np.ones(2), "same")
    bumps = bumps[len(bumps) // 3 : 2 * (len(bumps) // 3)]
    swell = by_table(bumps / bumps.mean(), run.turns / 2)
    depth = np.float32(even(rng, 0.0, 0.8))
    step = max(1, run.rate // 50)
    slow = np.exp(0.1 * rng.standard_normal(run.n // step + 3))
    return evenly(noise * (1 - depth + depth * swell) * spread(slow, step, run.n))
