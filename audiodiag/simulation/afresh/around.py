"""What else sounds in the bay made afresh: healthy and faulty other parts, people, street, weather, hands."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal

from audiodiag.records import FloatArray

from .motor import crank_events
from .running import Run
from .tools import (
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

__all__ = ["AROUND", "make_around"]

_Maker = Callable[[np.random.Generator, Run, int], FloatArray]


def _generator(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Slots and phases of the generator: their number times its turns; stronger with the current drawn."""
    turns = run.turns * even(rng, 1.9, 3.3)
    slots = int(rng.choice([8, 12, 16, 36, 48]))
    current = 1 + np.float32(0.4) * wander(rng, run.n, run.rate, 1.5)
    sound = np.zeros(run.n, np.float32)
    for k in range(1, 4):
        order = slots * k
        if order * float(run.rpm.max()) * 3.3 / 60 < 0.45 * run.rate:
            sound += np.float32(rng.lognormal(-0.4, 0.7) / k) * sine(turns * order + rng.random())
    sound += np.float32(0.05) * sine(turns * 6)
    return sound * current


def _belt_fan(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Blades at unequal angles: each pushes the air past once a turn, with its own wake of noise."""
    blades = int(rng.integers(4, 12))
    ratio = even(rng, 0.8, 1.5) if rng.random() < 0.6 else even(rng, 1.9, 3.1)
    at = (np.arange(blades) + rng.normal(0, log_even(rng, 0.004, 0.2), blades)) / blades
    grid = np.arange(1024) / 1024
    narrow = even(rng, 2.0, 5.0)
    wake = sum(np.exp(-np.square(((grid - a + 0.5) % 1.0 - 0.5) * blades * narrow)) for a in at)
    swell = by_table(wake / np.mean(wake), run.turns * ratio)
    noise = hump_noise(rng, run.n, run.rate, [(log_even(rng, 200, 4500), even(rng, 2, 6), 1.0)])
    depth = np.float32(even(rng, 0.2, 1.0))
    tone = np.float32(even(rng, 0, 0.6)) * (swell - 1)
    return (noise * (1 - depth + depth * swell) + tone) * run.stronger(even(rng, 0.5, 2.0))


def _cooling_fan(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """The radiator's electric fan, which may run up or down during the clip."""
    t = np.arange(run.n // (step := run.rate // 50) + 3) * (step / run.rate)
    at, slow = even(rng, -0.5, 1.2) * run.seconds, even(rng, 0.5, 2.0)
    on = 1 / (1 + np.exp(-np.clip((t - at) / slow * 4, -30, 30)))
    on = 1 - on if rng.random() < 0.3 else on
    turns = np.cumsum(spread(on * even(rng, 25, 50) + 0.5, step, run.n), dtype=np.float64) / run.rate
    blades = int(rng.choice([5, 7, 9, 11]))
    tones = sum(np.float32(rng.lognormal(0, 0.5) / k) * sine(turns * (blades * k)) for k in (1, 2, 3, 4))
    air = hump_noise(rng, run.n, run.rate, [(500, 4.0, 1.0)], floor=(300, 5, 0.2))
    blow = spread(on**2, step, run.n) + np.float32(1e-3)
    return (air + np.float32(even(rng, 0.1, 1.0)) * tones) * blow


def _idlers(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Pulleys in good order: soft tones at whole multiples of their own turns."""
    sound = np.zeros(run.n, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        order = log_even(rng, 0.9, 3.0) * int(rng.integers(1, 15))
        sound += np.float32(rng.lognormal(0, 0.6)) * sine(run.turns * order + rng.random())
    return sound * np.exp(np.float32(0.3) * wander(rng, run.n, run.rate, 0.9))


def _belt_part(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """What else the belt turns, heard plainly: its multiples pass the resonances of bracket and housing.

    A line at each multiple of its own count a turn, as strong as the housing answers at that pitch, so that
    now one and now another leads as the speed moves; the steering does not change it.
    """
    ratio = log_even(rng, 0.8, 3.3)
    count = int(rng.choice([1, 2, 4, 5, 6, 7, 9, 11, 12, 16, 36]))
    hz = run.rpm[:: (step := run.rate // 100)].astype(np.float64) * ratio * count / 60
    hz = np.append(hz, np.full(3, hz[-1]))
    places, widths = np.exp(rng.uniform(np.log(250), np.log(4000), 3)), rng.uniform(0.1, 0.6, 3)
    sound = np.zeros(run.n, np.float32)
    for k in range(1, 9):
        if k * float(hz.max()) > 0.45 * run.rate:
            break
        answer = sum(
            np.exp(-np.square(np.log(k * hz / at) / wide)) for at, wide in zip(places, widths, strict=True)
        )
        height = np.float32(rng.lognormal(0, 0.5) / k**0.5)
        sound += (
            height * spread(answer + 0.1, step, run.n) * sine(run.turns * (ratio * count * k) + rng.random())
        )
    if not sound.any():
        sound = sine(run.turns * ratio)
    once = 1 + np.float32(even(rng, 0.0, 0.5)) * sine(run.turns * ratio + rng.random())
    return sound * once * np.exp(np.float32(0.2) * wander(rng, run.n, run.rate, 1.5))


def _tooth_belt(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    teeth = int(rng.integers(17, 30))
    once = 1 + np.float32(even(rng, 0.1, 0.6)) * sine(run.turns * even(rng, 0.4, 1.0))
    rough = np.float32(even(rng, 0.02, 0.15)) * wander(rng, run.n, run.rate, 0.05)
    return once * (sine(run.turns * teeth + rough) + np.float32(0.4) * sine(run.turns * (2 * teeth)))


def _vacuum_pump(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A pump on the camshaft: a knock or puff some times a cycle."""
    places = (np.arange(number := int(rng.integers(1, 5))) / number + rng.random()) % 1.0
    when, which = crank_events(rng, run, places, 0.002)
    body = modes_of(rng, 8, 200, 3500, quality=(2, 10))
    return ringing([(strewn(run.n, when, rng.lognormal(0, 0.2, len(which))), kernel(body, run.rate))])


def _fuel_pump(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """An electric pump that hums at a pitch of its own."""
    pitch = log_even(rng, 90, 700) * (1 + np.float32(0.004) * wander(rng, run.n, run.rate, 1.0))
    turned = np.cumsum(pitch, dtype=np.float64) / run.rate
    return np.asarray(
        sum(np.float32(rng.lognormal(0, 0.8) / k) * sine(turned * k) for k in range(1, 7)), np.float32
    )


def _turbo(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A whistle that lags the engine by its own mass, and the air that rushes with it."""
    step = run.rate // 100
    rpm = run.rpm[::step].astype(np.float64)
    keep = np.exp(-0.01 / even(rng, 0.2, 0.8))
    late = signal.lfilter([1 - keep], [1, -keep], rpm, zi=[keep * rpm[0]])[0]
    late = np.append(late, np.full(3, late[-1]))
    pitch = log_even(rng, 900, 2600) * (late / run.idle_rpm) ** even(rng, 0.6, 1.1)
    loud = (late / run.idle_rpm) ** even(rng, 0.5, 2.0)
    turned = np.cumsum(spread(np.minimum(pitch, 0.42 * run.rate), step, run.n), dtype=np.float64) / run.rate
    rush = hump_noise(rng, run.n, run.rate, [(2500, 3.0, 1.0)])
    return (sine(turned) + np.float32(even(rng, 0.1, 1.0)) * rush) * spread(loud, step, run.n)


def _rail_pump(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    places = (np.arange(number := int(rng.choice([2, 3, 4, 6]))) / number + rng.random()) % 1.0
    when, which = crank_events(rng, run, places, 0.0008)
    body = modes_of(rng, 10, 900, 8000, quality=(4, 20))
    own = rng.lognormal(0, 0.2, number)[which]
    return ringing([(strewn(run.n, when, own), kernel(body, run.rate))])


def _tapping(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """One or two tappets with play, which come and go."""
    when, which = crank_events(rng, run, rng.random(int(rng.integers(1, 3))), 0.002)
    calm = np.exp(0.6 * np.interp(when, [0, run.n / 3, run.n], rng.normal(0, 1, 3)))
    body = modes_of(rng, 9, 1200, 7000, quality=(5, 25))
    heights = calm * rng.lognormal(0, 0.3, len(which))
    return ringing([(strewn(run.n, when, heights), kernel(body, run.rate))])


def _leak_of_exhaust(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A joint that spits at firings of one cylinder or of all."""
    places = np.arange(cylinders) / cylinders if rng.random() < 0.5 else rng.random(1)
    when, _ = crank_events(rng, run, places, 0.002)
    long_s = even(rng, 0.004, 0.02)
    puff = np.exp(-np.arange(int(5 * long_s * run.rate)) / (long_s * run.rate))
    noise = hump_noise(rng, run.n, run.rate, [(log_even(rng, 400, 2500), 3.0, 1.0)])
    heights = rng.lognormal(0, 0.3, len(when)) * (rng.random(len(when)) < even(rng, 0.6, 1))
    return noise * ringing([(strewn(run.n, when, heights), puff.astype(np.float32))])


def _leak_of_intake(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Air sucked in through a gap, most at idle, in strokes."""
    humps = [(log_even(rng, 1000, 7000), even(rng, 0.3, 3), 1.0) for _ in range(2)]
    noise = hump_noise(rng, run.n, run.rate, humps)
    stroke = 1 + np.float32(even(rng, 0.0, 0.7)) * sine(run.turns * (cylinders / 2) + rng.random())
    return noise * stroke / run.stronger(even(rng, 0.0, 1.5))


def _loose_shield(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A heat shield that buzzes in a band of speeds, thrown at random phases of each firing."""
    number = int(run.turns[-1] * cylinders / 2)
    when = run.samples_at((np.arange(number) + rng.normal(0, 0.15, number)) * 2 / cylinders)
    at = np.clip(when, 0, run.n - 1).astype(int)
    tuned = log_even(rng, 650, 2200)
    near = np.exp(-np.square(np.log(run.rpm[at] / tuned) / even(rng, 0.1, 0.5)))
    body = modes_of(rng, 14, 700, 9000, quality=(3, 20))
    return ringing([(strewn(run.n, when, near * rng.pareto(2.5, number)), kernel(body, run.rate))])


def _clutch(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """The air conditioner's clutch: a clack, and a drone of its pistons while it is in."""
    at = np.sort(rng.random(2)) * run.seconds
    body = modes_of(rng, 8, 300, 4000, quality=(3, 10))
    clack = ringing([(strewn(run.n, at * run.rate, np.array([1.0, 0.6])), kernel(body, run.rate))])
    t = np.arange(run.n, dtype=np.float32) / run.rate
    drone = sine(run.turns * (even(rng, 1.1, 1.6) * int(rng.choice([5, 6, 7, 10])))) * (
        (t > at[0]) & (t < at[1])
    )
    return evenly(clack) + np.float32(even(rng, 0.1, 0.7)) * drone


def _flow(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Fluid of a steering in good order: a soft rush while the wheel turns."""
    noise = hump_noise(rng, run.n, run.rate, [(log_even(rng, 300, 2500), even(rng, 2, 4), 1.0)])
    return noise * (np.float32(0.05) + run.flow + np.float32(even(rng, 0, 0.5)) * run.pressure)


def _tyres(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Tyres that scrub on the ground and joints that creak while the wheel turns."""
    scrub = hump_noise(rng, run.n, run.rate, [(log_even(rng, 150, 1200), 2.5, 1.0)])
    gritty = np.exp(np.float32(0.8) * wander(rng, run.n, run.rate, 0.03))
    number = int(rng.integers(0, 12))
    chance = np.cumsum(run.flow + np.float32(1e-6), dtype=np.float64)
    when = np.interp(rng.random(number) * chance[-1], chance, np.arange(run.n))
    body = kernel(modes_of(rng, 6, 150, 1500, quality=(2, 8)), run.rate)
    creak = ringing([(strewn(run.n, when, rng.lognormal(0, 0.6, number)), body)])
    return evenly(scrub * gritty * (run.flow + np.float32(0.01))) + np.float32(0.6) * evenly(creak)


def _rubber(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Rubber of a mounting or bush that is twisted: it yelps as the wheel sets off and comes back."""
    sound = np.zeros(run.n, np.float32)
    moves = np.flatnonzero(np.diff((run.flow > 0.3).astype(np.int8)))
    base = log_even(rng, 200, 2600)
    for at in moves[rng.random(len(moves)) < 0.7]:
        size = min(int(log_even(rng, 0.05, 0.45) * run.rate), run.n - int(at))
        if size < 16:
            continue
        x = np.arange(size, dtype=np.float32) / size
        pitch = base * (1 + even(rng, -0.3, 0.3) * x + 0.05 * np.sin(2 * np.pi * even(rng, 1, 5) * x))
        turned = np.cumsum(pitch + 0.01 * base * rng.standard_normal(size), dtype=np.float64) / run.rate
        yelp = sum(np.float32(even(rng, 0.1, 1) / k) * sine(turned * k) for k in (1, 2, 3, 5))
        sound[at : at + size] += yelp * (x * (1 - x)) ** np.float32(even(rng, 0.2, 1.0))
    return sound


def _road(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    noise = hump_noise(
        rng,
        run.n,
        run.rate,
        [(900, 3.0, even(rng, 0.05, 1))],
        floor=(log_even(rng, 40, 200), even(rng, 3, 6), 1),
    )
    return noise * np.exp(np.float32(0.4) * wander(rng, run.n, run.rate, 2.5))


def _passing(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A vehicle that passes: its tyres and its engine, which drops in pitch as it goes by."""
    t = np.arange(run.n, dtype=np.float64) / run.rate
    at, near, speed = even(rng, 0, 1) * run.seconds, even(rng, 3, 12), even(rng, 6, 18)
    way = speed * (t - at)
    away = np.sqrt(near**2 + way**2)
    pitch = log_even(rng, 50, 130) * (1 - speed / 343 * way / away)
    turned = np.cumsum(pitch) / run.rate
    drone = sum(np.float32(1 / k) * sine(turned * k) for k in (1, 2, 3, 4))
    tyres = hump_noise(rng, run.n, run.rate, [(900, 2.5, 1.0)], floor=(200, 4, 0.2))
    return (tyres + np.float32(even(rng, 0.1, 0.8)) * drone) * (near / away).astype(np.float32)


def _gusts(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    noise = hump_noise(rng, run.n, run.rate, [], floor=(even(rng, 40, 120), even(rng, 6, 12), 1.0))
    return noise * np.exp(wander(rng, run.n, run.rate, 0.5))


def _rain(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    number = int(log_even(rng, 20, 600) * run.seconds)
    train = strewn(run.n, rng.random(number) * run.n, rng.pareto(2.0, number))
    return ringing([(train, kernel(modes_of(rng, 12, 800, 9000, quality=(1.5, 6)), run.rate))])


def _voice(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Somebody who talks: pulses of a throat whose three resonances glide from sound to sound."""
    n, rate = run.n, run.rate
    step = rate // 100
    count = n // step + 3
    talks = spread(
        np.clip(3 * np.convolve(rng.normal(0, 1, count + 60), np.ones(61) / 7.8, "valid"), 0, 1), step, n
    )
    beat = np.cumsum(4.0 * (1 + 0.3 * wander(rng, n, rate, 0.4)), dtype=np.float64) / rate
    syllable = np.float32(0.5) - np.float32(0.5) * np.cos(
        np.float32(2 * np.pi) * (beat % 1.0).astype(np.float32)
    )
    pitch = log_even(rng, 90, 240) * np.exp(np.float32(0.12) * wander(rng, n, rate, 0.3))
    turned = np.cumsum(pitch, dtype=np.float64) / rate
    sound = np.zeros(n, np.float32)
    formants = [(f * np.exp(np.float32(0.25) * wander(rng, n, rate, 0.15))) for f in (550.0, 1500.0, 2600.0)]
    now = [np.append(f[::step], np.full(3, f[-1])) for f in (pitch, *formants)]
    for k in range(1, 16):
        height = sum(1 / (1 + np.square((now[0] * k - f) / (60 + 0.06 * f))) for f in now[1:])
        sound += spread(np.asarray(height), step, n) * sine(turned * k)
    hush = hump_noise(rng, n, rate, [(5500, 1.5, 1.0)])
    return evenly(sound * syllable * talks) + np.float32(0.3) * hush * (1 - syllable) ** 3 * talks


def _tune(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """A radio: chords held and struck anew, with a beat of noise."""
    n, rate = run.n, run.rate
    beats = np.arange(n, dtype=np.float64) / rate * even(rng, 1.2, 3.0)
    which = beats.astype(np.int64)
    since = (beats % 1.0).astype(np.float32)
    sound = np.zeros(n, np.float32)
    for _ in range(3):
        notes = 110 * 2 ** (rng.integers(0, 30, int(which[-1]) + 1) / 12)
        turned = np.cumsum(notes[which]) / rate
        sound += sine(turned) + np.float32(0.5) * sine(2 * turned) + np.float32(0.3) * sine(3 * turned)
    drum = hump_noise(rng, n, rate, [(4000, 3.0, 1.0)]) * np.exp(-12 * ((2 * since) % 1.0))
    return evenly(sound * np.exp(-1.5 * since)) + np.float32(0.5) * drum


def _beeps(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    t = np.arange(run.n, dtype=np.float64) / run.rate
    every, pitch = even(rng, 0.3, 1.3), log_even(rng, 500, 3500)
    on = ((t / every) % 1.0 < even(rng, 0.2, 0.6)) & (t > even(rng, 0, 0.5) * run.seconds)
    step = run.rate // 400
    soft = np.convolve(np.append(on[::step], [False] * 4).astype(float), np.ones(3) / 3, "same")
    return spread(soft, step, run.n) * (sine(pitch * t) + np.float32(even(rng, 0, 0.5)) * sine(2 * pitch * t))


def _birds(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Calls of short gliding whistles."""
    number = int(rng.integers(2, 14))
    t = np.arange(run.n, dtype=np.float32) / run.rate
    on, pitch = np.zeros(run.n, np.float32), np.full(run.n, 4000, np.float32)
    base = log_even(rng, 2200, 5500)
    for at in rng.random(number) * run.seconds:
        long_s = even(rng, 0.04, 0.25)
        a, b = int(at * run.rate), min(run.n, int((at + long_s) * run.rate))
        x = (t[a:b] - at) / long_s
        on[a:b] = np.sin(np.pi * np.clip(x, 0, 1))
        pitch[a:b] = base * (1 + even(rng, -0.25, 0.25) * x + 0.08 * np.sin(2 * np.pi * even(rng, 1, 6) * x))
    return on * sine(np.cumsum(pitch, dtype=np.float64) / run.rate)


def _handling(rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """Fingers on the phone: dull knocks and rubbing."""
    number = int(rng.integers(1, 8))
    knock = kernel(modes_of(rng, 5, 60, 900, quality=(1.5, 5)), run.rate)
    train = strewn(run.n, rng.random(number) * run.n, rng.lognormal(0, 0.7, number))
    rub = hump_noise(rng, run.n, run.rate, [(log_even(rng, 300, 2000), 3.0, 1.0)])
    rubs = np.clip(wander(rng, run.n, run.rate, 0.3) - 1.2, 0, None)
    return evenly(ringing([(train, knock)])) + rub * rubs


AROUND: dict[str, tuple[_Maker, float, tuple[float, float], bool]] = {
    "generator": (_generator, 0.28, (-32, -12), True),
    "belt_fan": (_belt_fan, 0.65, (-20, -1), True),
    "cooling_fan": (_cooling_fan, 0.16, (-20, -3), True),
    "idlers": (_idlers, 0.16, (-34, -12), True),
    "tooth_belt": (_tooth_belt, 0.12, (-36, -14), True),
    "vacuum_pump": (_vacuum_pump, 0.14, (-28, -9), True),
    "fuel_pump": (_fuel_pump, 0.14, (-36, -16), True),
    "turbo": (_turbo, 0.14, (-32, -12), True),
    "rail_pump": (_rail_pump, 0.12, (-28, -9), True),
    "tapping": (_tapping, 0.12, (-26, -8), True),
    "exhaust_leak": (_leak_of_exhaust, 0.08, (-16, -1), True),
    "intake_leak": (_leak_of_intake, 0.07, (-26, -4), True),
    "loose_shield": (_loose_shield, 0.1, (-24, -3), True),
    "clutch": (_clutch, 0.08, (-24, -8), True),
    "flow": (_flow, 0.3, (-34, -14), True),
    "tyres": (_tyres, 0.22, (-28, -9), True),
    "road": (_road, 0.45, (-28, -8), False),
    "passing": (_passing, 0.1, (-16, -2), False),
    "gusts": (_gusts, 0.15, (-18, -1), False),
    "rain": (_rain, 0.06, (-26, -9), False),
    "voice": (_voice, 0.14, (-18, -2), False),
    "tune": (_tune, 0.05, (-26, -9), False),
    "beeps": (_beeps, 0.06, (-26, -10), False),
    "birds": (_birds, 0.08, (-34, -14), False),
    "handling": (_handling, 0.2, (-24, -6), False),
    "rubber": (_rubber, 0.08, (-30, -9), True),
    "belt_part": (_belt_part, 0.12, (-20, 2), True),
}
"""Per name: how it is made, how often it is there, its power over the clip in dB re the engine's, and
whether it is a part of the car. What is none of the car is half as frequent in plain clips and half as
frequent again in hard ones."""


def make_around(name: str, rng: np.random.Generator, run: Run, cylinders: int) -> FloatArray:
    """One of ``AROUND`` at mean square 1, shape (n,)."""
    return evenly(np.asarray(AROUND[name][0](rng, run, cylinders), np.float32))
