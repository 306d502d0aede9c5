"""What else sounds in the bay built apart: other parts, healthy or not, the yard, people, weather."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from audiodiag.records import FloatArray

from .course import Course
from .sound import between, drift, rings, shaped_noise, soft_gate, strikes, tone, unit

__all__ = ["SOUNDS", "make_sound"]


def _alternator(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    ratio = between(rng, 2.1, 3.2)
    main = int(rng.choice([6, 12, 36]))
    sound = np.zeros(course.n, np.float32)
    for k, height in ((1, 1.0), (2, between(rng, 0.1, 0.6)), (3, between(rng, 0.0, 0.3))):
        if main * ratio * k * float(course.rpm.max()) / 60 < 0.45 * course.rate:
            sound += np.float32(height) * tone(course.turns * ratio * main * k + rng.random())
    return sound * (1 + 0.2 * drift(rng, course.n, course.rate, 1.0))


def _fan(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    blades = int(rng.integers(4, 12))
    if rng.random() < 0.45:
        hz = between(rng, 28, 45) * (1 + 0.006 * drift(rng, course.n, course.rate, 2.0))
        turns: FloatArray = np.cumsum(hz, dtype=np.float64) / course.rate
    else:
        turns = course.turns * between(rng, 0.9, 1.3)
    rush = shaped_noise(rng, course.n, course.rate, [(60, -8.0), (300, 0.0), (1200, -6.0), (8000, -32.0)])
    blade = sum(np.float32(0.7**k) * tone(turns * blades * k + rng.random()) for k in (1, 2, 3))
    swell = 1 + 0.15 * tone(turns) + np.float32(between(rng, 0.05, 0.75)) * tone(turns * blades)
    return rush * swell + np.float32(between(rng, 0.05, 1.0)) * blade


def _draught(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Air between the blades of what the belt drives: noise of all bands that swells without strikes.

    Blades on the water pump, the alternator's own fan: turns a crank turn times blades, no half order. Where
    the blades stand at unequal angles, each push comes a little early or late, once a turn the same.
    """
    turns = course.turns * (between(rng, 0.85, 1.5) if rng.random() < 0.6 else between(rng, 1.9, 3.2))
    blades = int(rng.choice([1, 2, 3, 4, 5, 6, 7, 9, 10, 12]))
    depth = between(rng, 0.15, 0.9)
    passing = turns * blades + rng.random()
    if blades > 2 and rng.random() < 0.4:
        for once in range(1, 4):
            passing = passing + np.float32(rng.normal(0, 0.15)) * tone(turns * once + rng.random())
    swell = 1 + depth * tone(passing)
    swell += np.float32(depth * between(rng, 0.0, 0.3)) * tone(2 * passing)
    slope = between(rng, -12, 0)
    noise = shaped_noise(
        rng, course.n, course.rate, [(100, -22.0), (500, 0.0), (5000, slope), (12000, slope - 20.0)]
    )
    return noise * np.maximum(swell, 0) * course.loudness(0.3)


def _ticks(
    rng: np.random.Generator, course: Course, per_cycle: FloatArray, spread: float, band: tuple[float, float]
) -> FloatArray:
    """Strikes at fixed places of the engine's cycle of two turns."""
    cycles = np.arange(int(course.turns[-1] / 2) + 2)[:, None]
    when = 2 * (cycles + per_cycle) + rng.normal(0, 0.004, (len(cycles), len(per_cycle)))
    heights = rng.lognormal(0, spread, when.shape)
    train = strikes(course.n, course.places(when.ravel()), heights.ravel())
    return rings(
        train,
        course.rate,
        [(between(rng, *band), between(rng, 5, 18), between(rng, 0.4, 1)) for _ in range(3)],
    )


def _tappet(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    return _ticks(rng, course, rng.random(int(rng.integers(1, 3))), 0.2, (1500, 5500))


def _injectors(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    opened = (np.arange(cylinders) / cylinders + rng.random()) % 1.0
    return _ticks(rng, course, np.concatenate([opened, opened + between(rng, 0.02, 0.06)]), 0.1, (3000, 9000))


def _exhaust_leak(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Puffs of noise, from one leaking port once a cycle or from the joint at every firing."""
    rate = 0.5 if rng.random() < 0.5 else cylinders / 2
    within = ((course.turns * rate + rng.random()) % 1.0).astype(np.float32)
    puff = np.exp(-within * np.float32(between(rng, 4, 12)))
    noise = shaped_noise(rng, course.n, course.rate, [(80, -12.0), (400, 0.0), (2500, -5.0), (9000, -30.0)])
    return noise * puff * course.loudness(0.5)


def _street(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    noise = shaped_noise(
        rng, course.n, course.rate, [(40, 0.0), (800, between(rng, -12, -2)), (3000, -22.0), (15000, -50.0)]
    )
    return noise * np.exp(0.3 * drift(rng, course.n, course.rate, 2.0))


def _wind(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    noise = shaped_noise(rng, course.n, course.rate, [(15, 0.0), (60, 0.0), (250, -15.0), (2000, -45.0)])
    return noise * np.exp(0.7 * drift(rng, course.n, course.rate, 0.6))


def _passing_car(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    t = np.arange(course.n, dtype=np.float32) / course.rate
    near = (t - between(rng, 0, course.seconds)) / np.float32(between(rng, 0.7, 2.5))
    noise = shaped_noise(rng, course.n, course.rate, [(50, -4.0), (800, 0.0), (2000, -10.0), (10000, -35.0)])
    return noise / (1 + np.square(near))


def _speech(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Syllables: a buzz of gliding pitch through three vowels in turn, and sibilants between."""
    n, rate = course.n, course.rate
    pitch = between(rng, 95, 220) * (1 + 0.12 * drift(rng, n, rate, 0.4))
    turned = np.cumsum(pitch, dtype=np.float64) / rate
    when = np.interp(np.arange(1, int(turned[-1])), turned, np.arange(n))
    buzz = strikes(n, when, np.ones(len(when)))
    pace = between(rng, 3.0, 5.5)
    beat = np.cumsum(pace * (1 + 0.3 * drift(rng, n, rate, 0.5)), dtype=np.float64) / rate
    within = (beat - np.floor(beat)).astype(np.float32)
    syllables = rng.random(int(beat.max()) + 2)
    said = syllables[np.clip(np.floor(beat).astype(int), 0, len(syllables) - 1)].astype(np.float32)
    talking = drift(rng, n, rate, 1.0) > between(rng, -0.6, 0.4)
    voiced = np.abs(np.sin(np.pi * np.clip(within / 0.75, 0, 1))) ** np.float32(0.7) * talking
    sound = np.zeros(n, np.float32)
    for k, (first, second) in enumerate(((700, 1200), (350, 2100), (450, 850))):
        vowel = rings(buzz, rate, [(first, 6, 1.0), (second, 9, 0.6), (2700, 12, 0.2)])
        sound += vowel * voiced * (np.floor(said * 3) == k)
    hush = shaped_noise(rng, n, rate, [(1000, -40.0), (4000, 0.0), (8000, -3.0), (14000, -30.0)])
    return unit(sound) + 0.35 * hush * np.clip((within - 0.8) * 8, 0, 1) * talking * (said > 0.5)


def _chimes(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    t = np.arange(course.n) / course.rate
    every, hz = between(rng, 0.5, 1.5), between(rng, 800, 2600)
    within = np.mod(t - between(rng, 0, 1), every)
    ring = np.exp(-within / between(rng, 0.08, 0.4)) * np.clip(within / 0.004, 0, 1)
    start = between(rng, 0, 0.5) * course.seconds
    ring *= (t >= start) & (t < start + between(rng, 3, 9))
    return ring.astype(np.float32) * (tone(hz * t) + 0.4 * tone(2 * hz * t) + 0.15 * tone(3 * hz * t))


def _music(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    t = np.arange(course.n) / course.rate
    pace = between(rng, 1.5, 4.0)
    note = np.floor(t * pace).astype(int)
    within = (t * pace - note).astype(np.float32)
    sound = np.zeros(course.n, np.float32)
    for _ in range(3):
        steps = rng.choice([0, 2, 4, 5, 7, 9, 11, 12, 14], note[-1] + 1)
        hz = between(rng, 180, 500) * 2.0 ** (steps / 12)
        turned = np.cumsum(hz[note], dtype=np.float64) / course.rate
        fade = np.exp(-within * np.float32(between(rng, 0.5, 3)))
        sound += fade * sum(np.float32(0.5**k) * tone(turned * k) for k in (1, 2, 3, 4))
    return rings(sound, course.rate, [(900, 0.8, 1.0)], direct=0.3)


def _bumps(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    number = int(rng.integers(1, 6))
    train = strikes(course.n, rng.random(number) * course.n, rng.lognormal(0, 0.5, number))
    low = [(between(rng, 60, 220), between(rng, 2, 5), 1.0), (between(rng, 300, 900), 3.0, 0.4)]
    return rings(train, course.rate, low, direct=0.01)


def _idler(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Tones of healthy parts on the belt: teeth, blades or rolling bodies, at orders of their own."""
    sound = np.zeros(course.n, np.float32)
    for _ in range(int(rng.integers(1, 3))):
        order = between(rng, 0.8, 3.4) * int(rng.choice([1, 4, 5, 6, 7, 8, 9, 10, 11]))
        height = 1.0
        for k in range(1, int(rng.integers(2, 4))):
            sound += np.float32(height) * tone(course.turns * order * k + rng.random())
            height *= between(rng, 0.1, 0.7)
    return sound * np.exp(0.3 * drift(rng, course.n, course.rate, 0.8)) * course.loudness(between(rng, 0, 1))


def _belt_part(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """A part on the same belt, not of the steering, that hums or sings loud enough to be taken for it.

    Tones at multiples of its poles or blades a turn of its rotor, each with lines a turn beside, since no two
    poles or blades are quite alike.
    """
    turns = course.turns * (between(rng, 0.8, 1.7) if rng.random() < 0.5 else between(rng, 1.9, 3.2))
    humps = int(rng.choice([3, 5, 6, 7, 8, 9, 11, 12, 14, 36]))
    unlike = between(rng, 0.0, 0.5) ** 2
    sound = np.zeros(course.n, np.float32)
    for k in range(1, 5):
        if humps * k * float(course.rpm.max()) * 3.2 / 60 > 0.45 * course.rate:
            break
        wave = tone(turns * humps * k + rng.random())
        wave *= 1 + np.float32(unlike) * tone(turns + rng.random())
        sound += np.float32(between(rng, 0.1, 1.0) / k ** between(rng, 0.3, 2.0)) * wave
    if not sound.any():
        sound = tone(turns * min(humps, 3))
    swings = np.exp(between(rng, 0.0, 0.4) * drift(rng, course.n, course.rate, 1.2))
    return sound * swings * course.loudness(between(rng, 0.0, 1.2))


def _blower(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """The cabin's or the radiator's air, which somebody or a thermostat may switch on or off."""
    noise = shaped_noise(
        rng,
        course.n,
        course.rate,
        [(80, -15.0), (500, 0.0), (3000, between(rng, -14, 3)), (9000, -18.0), (2e4, -40.0)],
    )
    if rng.random() < 0.5:
        at, slow = between(rng, 0.1, 0.9) * course.seconds, between(rng, 0.15, 0.8)
        t = np.arange(course.n, dtype=np.float32) / course.rate
        run = 1 / (1 + np.exp(np.clip((at - t) / np.float32(slow / 4), -30, 30)))
        noise = noise * (run if rng.random() < 0.5 else 1 - run)
    return np.asarray(noise, np.float32)


def _purge_valve(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """A valve that ticks at a beat of its own, whatever the engine turns."""
    every = float(np.exp(between(rng, np.log(0.05), np.log(0.25))))
    when = np.arange(between(rng, 0, every), course.seconds, every)
    first = between(rng, -0.5, 0.6) * course.seconds
    when = when[(when >= first) & (when < first + between(rng, 0.4, 1.5) * course.seconds)]
    when = when + rng.normal(0, 0.0005, len(when))
    train = strikes(course.n, when * course.rate, rng.lognormal(0, 0.12, len(when)))
    modes = [(between(rng, 600, 6500), between(rng, 4, 20), between(rng, 0.4, 1)) for _ in range(4)]
    return rings(train, course.rate, modes)


def _intake_leak(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Air sucked through a torn hose: noise through resonances of the gap, in strokes, most at idle."""
    slope = between(rng, -10, 4)
    corners = [(300, -30.0), (1500, 0.0), (7000, slope), (14000, slope - 15.0)]
    noise = shaped_noise(rng, course.n, course.rate, corners)
    if rng.random() < 0.5:
        gap = [
            (between(rng, 900, 6000), between(rng, 5, 60), between(rng, 0.5, 4))
            for _ in range(rng.integers(1, 3))
        ]
        noise = unit(rings(noise, course.rate, gap, direct=between(rng, 0.1, 1)))
    strokes = ((course.turns * cylinders / 2 + rng.random()) % 1.0).astype(np.float32)
    depth = np.float32(between(rng, 0.0, 0.6))
    suck = 1 - depth + depth * 2 * np.exp(-strokes * np.float32(between(rng, 1, 4)))
    return (
        noise
        * suck
        * course.loudness(-between(rng, 0, 2))
        * np.exp(0.1 * drift(rng, course.n, course.rate, 0.7))
    )


def _loose_sheet(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """A thin sheet thrown up at firings or turns: it hits, bounces in shrinking gaps, at times stays down."""
    rate = float(rng.choice([1.0, cylinders / 2]))
    thrown = np.arange(int(course.turns[-1] * rate)) + rng.random()
    awake = drift(rng, course.n, course.rate, between(rng, 0.3, 2.0))[
        np.clip(course.places(thrown / rate), 0, course.n - 1).astype(int)
    ]
    height = np.exp(0.8 * awake) * rng.lognormal(0, between(rng, 0.1, 0.6), len(thrown))
    height = height * (awake > between(rng, -2.5, -0.3))
    gap, back = between(rng, 0.008, 0.03), between(rng, 0.3, 0.75)
    after = gap * np.concatenate([[0.0], np.cumsum(back ** np.arange(int(rng.integers(0, 6))))])
    places = (
        course.places(thrown / rate)[:, None] + after[None, :] * course.rate * np.sqrt(height + 0.1)[:, None]
    )
    hits = height[:, None] * back ** np.arange(len(after))[None, :]
    body = [(between(rng, 400, 8000), between(rng, 6, 40), between(rng, 0.3, 1)) for _ in range(7)]
    return rings(strikes(course.n, places.ravel(), hits.ravel()), course.rate, body)


def _gear_flow(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Fluid through the edges of a sound steering gear's valve: a rush while the wheel is turned."""
    low, high = between(rng, 400, 2000), between(rng, 3000, 11000)
    noise = shaped_noise(
        rng, course.n, course.rate, [(low / 4, -24.0), (low, 0.0), (high, between(rng, -12, 0)), (2e4, -35.0)]
    )
    opened = _while_turning(course, between(rng, 0.08, 0.3), between(rng, 0.1, 0.4))
    squeezed = np.sqrt(course.load) * opened * np.exp(0.3 * drift(rng, course.n, course.rate, 0.3))
    return noise * (np.float32(between(rng, 0.01, 0.2)) + squeezed)


def _tyre_twist(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """Treads that stick to the ground, wind up and let go, over a grinding of grit, while the wheel turns."""
    opened = _while_turning(course, 0.1, 0.15)
    low = between(rng, 100, 700)
    grit = shaped_noise(
        rng, course.n, course.rate, [(low / 3, -15.0), (low, 0.0), (4 * low, -8.0), (16 * low, -30.0)]
    )
    grit = grit * opened * np.exp(0.6 * drift(rng, course.n, course.rate, 0.05))
    often = between(rng, 2, 25)
    number = rng.poisson(often * course.seconds)
    train = strikes(course.n, rng.random(number) * course.n, rng.lognormal(0, 0.8, number)) * opened
    body = [(between(rng, 80, 900), between(rng, 1.5, 6), between(rng, 0.3, 1)) for _ in range(3)]
    return unit(grit) + np.float32(between(rng, 0.0, 1.5)) * unit(rings(train, course.rate, body))


def _bush_squeak(rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """A dry rubber bush or joint of the steering: a short cry as the wheel starts to move or turns back."""
    pitch = np.exp(between(rng, np.log(250), np.log(3500)))
    cries = []
    for phase, start, end in course.steered:
        if phase == "turning":
            for _ in range(int(rng.integers(0, 3))):
                at = start + between(rng, 0, 0.6) * (end - start)
                cries.append((at, at + between(rng, 0.06, 0.5)))
    sound = np.zeros(course.n, np.float32)
    t = np.arange(course.n, dtype=np.float32) / course.rate
    for start, end in cries:
        a, b = int(start * course.rate), min(int(end * course.rate), course.n)
        x = (t[a:b] - np.float32(start)) / np.float32(end - start)
        hz = pitch * between(rng, 0.9, 1.1) * (1 + between(rng, -0.2, 0.2) * x)
        turned = np.cumsum(hz * (1 + 0.02 * rng.standard_normal(b - a)), dtype=np.float64) / course.rate
        cry = sum(np.float32(between(rng, 0.2, 0.9) ** k) * tone(turned * (k + 1)) for k in range(4))
        sound[a:b] += (
            cry
            * np.maximum(np.sin(np.pi * x), 0) ** np.float32(between(rng, 0.3, 1.5))
            * between(rng, 0.4, 1)
        )
    return sound


def _while_turning(course: Course, rise_s: float, fall_s: float) -> FloatArray:
    turned = [(start, end) for phase, start, end in course.steered if phase == "turning"]
    return soft_gate(turned, course.n, course.rate, rise_s, fall_s)


SOUNDS: dict[
    str, tuple[Callable[[np.random.Generator, Course, int], FloatArray], float, tuple[float, float]]
] = {
    "alternator": (_alternator, 0.3, (-28, -12)),
    "fan": (_fan, 0.5, (-20, -1)),
    "tappet": (_tappet, 0.22, (-24, -10)),
    "injectors": (_injectors, 0.3, (-26, -12)),
    "exhaust_leak": (_exhaust_leak, 0.12, (-14, -1)),
    "street": (_street, 0.5, (-24, -8)),
    "wind": (_wind, 0.18, (-16, 0)),
    "passing_car": (_passing_car, 0.1, (-14, -1)),
    "speech": (_speech, 0.15, (-15, -1)),
    "chimes": (_chimes, 0.1, (-24, -9)),
    "music": (_music, 0.06, (-24, -9)),
    "bumps": (_bumps, 0.25, (-22, -8)),
    "draught": (_draught, 0.5, (-18, -1)),
    "idler": (_idler, 0.12, (-32, -10)),
    "blower": (_blower, 0.06, (-26, -6)),
    "purge_valve": (_purge_valve, 0.06, (-30, -9)),
    "intake_leak": (_intake_leak, 0.1, (-24, -2)),
    "loose_sheet": (_loose_sheet, 0.12, (-24, -2)),
    "gear_flow": (_gear_flow, 0.3, (-30, -6)),
    "tyre_twist": (_tyre_twist, 0.25, (-26, -6)),
    "bush_squeak": (_bush_squeak, 0.08, (-30, -8)),
    "belt_part": (_belt_part, 0.12, (-22, -1)),
}
"""Per name: how it is made, how often it is there, and its power over the clip in dB re the engine's."""


def make_sound(name: str, rng: np.random.Generator, course: Course, cylinders: int) -> FloatArray:
    """One of ``SOUNDS`` at mean square 1, shape (n,)."""
    return unit(SOUNDS[name][0](rng, course, cylinders))
