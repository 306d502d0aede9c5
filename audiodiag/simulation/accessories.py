"""What sounds around the engine and can be mistaken for a fault of the steering.

Alternator, fans, idlers, turbo, a ticking purge valve, the cabin blower, tyres scrubbing under the turning
wheel, fluid that rushes through a sound steering gear, a joint that knocks at each reversal or squeaks as it
turns, a chattering compressor; and faults of other systems: air drawn
in past a cracked intake hose, a thin sheet that has come loose. None of them is a symptom.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .scene import Scene, cosine, gain, unit
from .signals import (
    CONTROL_HZ,
    convolve,
    deposit,
    modes_kernel,
    on_samples,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    walk,
)

__all__ = ["ACCESSORIES", "healthy_parts"]

ACCESSORIES: dict[str, tuple[float, float, float]] = {
    "alternator": (0.55, -38, -10),
    "fan": (0.5, -24, 0),
    "idler": (0.45, -38, -12),
    "turbo": (0.1, -42, -18),
    "purge_valve": (0.12, -32, -10),
    "blower": (0.15, -28, -8),
    "tyre_scrub": (0.2, -28, -8),
    "reversal_knock": (0.15, -28, -6),
    "compressor": (0.12, -26, -8),
    "draught": (0.5, -22, -1),
    "intake_leak": (0.1, -26, -2),
    "loose_sheet": (0.12, -26, -2),
    "valve_rush": (0.3, -32, -6),
    "joint_squeak": (0.08, -32, -8),
    "belt_part": (0.12, -24, 0),
}
"""Per part that is no symptom: how often it is there, and its lowest and highest level in dB re engine."""


def healthy_parts(
    car: np.random.Generator, rng: np.random.Generator, scene: Scene, *, wanted: tuple[str, ...] | None
) -> dict[str, FloatArray]:
    """Make the sounds of healthy parts, each float32 shape (n,), relative to an engine of unit power.

    ``wanted``: these parts, or None to draw them.
    """
    parts: dict[str, FloatArray] = {}
    for name, (often, low, high) in ACCESSORIES.items():
        own = car.spawn(1)[0]
        there = own.random() < often
        level = own.uniform(low, high)
        if name in wanted if wanted is not None else there:
            sound = _MAKERS[name](own, rng.spawn(1)[0], scene)
            if float(np.max(np.abs(sound))) > 0:
                parts[name] = unit(sound) * gain(level)
    return parts


def _wander(rng: np.random.Generator, scene: Scene, tau_s: float, depth: float) -> FloatArray:
    return on_samples(np.exp(walk(rng, len(scene.load), tau_s, depth)), scene.n, scene.rate)


def _alternator(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Poles at 6, 12 or 36 a turn, slot noise, steps of electric load."""
    order = car.uniform(1.8, 3.3) * float(car.choice([6, 12, 36, 6, 36]))
    time = scene.driving.time_s
    loaded = np.sin(time * car.uniform(0.2, 2) + rng.uniform(0, 6)) > rng.uniform(-1, 1)
    top_hz = order * float(np.max(scene.driving.rpm)) / 60
    tone = np.zeros(scene.n, np.float32)
    for k, level in ((1, 1.0), (2, car.uniform(0, 0.6)), (3, car.uniform(0, 0.4))):
        if k * top_hz < 0.45 * scene.rate:
            tone += np.float32(level) * turn_table(scene.turns * (order * k), cosine(car.random()))
    steps = on_samples(np.where(loaded, 1.0, 0.4), scene.n, scene.rate)
    slot = shaped_noise(rng, scene.n, scene.rate, [(200, -20), (1500, 0), (5000, -3), (16000, -20)])
    return tone * steps * _wander(rng, scene, 0.5, 0.3) + np.float32(car.uniform(0, 0.6)) * slot


def _fan(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Electric (own speed, may start or stop in the clip) or belt-driven (order blades times ratio)."""
    m, n = len(scene.load), scene.n
    blades = float(car.integers(4, 12))
    on = np.ones(m)
    if car.random() < 0.45:
        hz = rng.uniform(18, 50) * (1 + walk(rng, m, 2, 0.004))
        if rng.random() < 0.5:
            run = np.clip((scene.driving.time_s - rng.uniform(0, m / CONTROL_HZ)) / rng.uniform(0.5, 2), 0, 1)
            on = run if rng.random() < 0.5 else 1 - run
        turned = np.cumsum(hz * (0.3 + 0.7 * on)) / CONTROL_HZ
        phase: FloatArray = np.interp(np.arange(n) / scene.rate, scene.driving.time_s, turned)
    else:
        phase = scene.turns * car.uniform(0.8, 1.4)
    table = np.zeros(4096, np.float32)
    for k in range(1, 5):
        table += np.float32(car.uniform(0.2, 1) / k) * cosine(car.random(), multiple=k)
    rush = shaped_noise(rng, n, scene.rate, [(50, -10), (200, 0), (1200, -4), (5000, -18), (20000, -40)])
    swing = 1 + np.float32(car.uniform(0.1, 0.8)) * turn_table(phase * blades, cosine())
    sound = np.float32(car.uniform(0, 1)) * turn_table(phase * blades, table) + rush * swing
    return sound * on_samples(on**2, n, scene.rate)


def _idler(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Water pump, compressor pulley, tensioner: faint whines at orders of their own."""
    tone = np.zeros(scene.n, np.float32)
    for _ in range(int(car.integers(1, 4))):
        order = car.uniform(0.8, 3.5) * float(car.choice([1, 5, 6, 7, 8, 9, 11]))
        tone += np.float32(car.uniform(0.1, 1)) * turn_table(scene.turns * order, cosine(car.random()))
    return tone * _wander(rng, scene, 0.6, 0.5)


def _turbo(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    hz = np.minimum(car.uniform(2500, 7000) * scene.relative_speed**0.7, 0.4 * scene.rate)
    phase = np.cumsum(on_samples(hz, scene.n, scene.rate).astype(np.float64)) / scene.rate
    return turn_table(phase, cosine()) * _wander(rng, scene, 0.3, 0.5)


def _purge_valve(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Clicks at a beat of its own, 4 to 20 a second, on for a while."""
    length = scene.n / scene.rate
    times = np.arange(rng.uniform(0, 0.2), length, 1 / uniform_log(car, 4, 20))
    start = rng.uniform(-length / 2, length / 2)
    times = times[(times > start) & (times < start + rng.uniform(0.3, 1.5) * length)]
    kernel = modes_kernel(car, scene.rate, count=6, low_hz=500, high_hz=7000, quality=(3, 25), longest_s=0.03)
    strength = np.exp(rng.normal(0, 0.15, len(times)))
    return convolve(deposit(scene.n, times * scene.rate, strength), kernel)


def _blower(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Steady rush of air, which may be switched."""
    points = [
        (60.0, -15.0),
        (400.0, 0.0),
        (2500.0, float(car.uniform(-15, 2))),
        (9000.0, -18.0),
        (30000.0, -40.0),
    ]
    on: FloatArray = np.ones(len(scene.load))
    if rng.random() < 0.4:
        edge = scene.driving.time_s > rng.uniform(0, scene.driving.time_s[-1])
        on = ramp_gate((edge if rng.random() < 0.5 else ~edge).astype(float), 0.5, 0.5)
    return shaped_noise(rng, scene.n, scene.rate, points) * on_samples(on, scene.n, scene.rate)


def _turning(scene: Scene) -> FloatArray:
    time = scene.driving.time_s
    turning = np.zeros(len(time))
    for name, start, end in scene.driving.steering.spans:
        if name == "turning":
            inside = (time >= start) & (time < end)
            turning[inside] = np.sin(np.pi * (time[inside] - start) / max(end - start, 1e-3)) ** 0.5
    return turning


def _tyre_scrub(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """The tyre drags over the ground while the wheel turns: rough noise and creaks."""
    turning = _turning(scene)
    top = uniform_log(car, 500, 4000)
    noise = shaped_noise(
        rng, scene.n, scene.rate, [(50, -10), (150, 0), (top, -6), (top * 3, -30), (90000, -60)]
    )
    rough = np.exp(walk(rng, len(turning), 0.03, car.uniform(0.3, 1.0)))
    return noise * on_samples(turning * rough, scene.n, scene.rate)


def _reversal_knock(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """A joint or rack with play: one knock as a turning of the wheel begins."""
    starts = [start for name, start, _ in scene.driving.steering.spans if name == "turning"]
    times = np.array([t + rng.uniform(0, 0.15) for t in starts if rng.random() < 0.8])
    kernel = modes_kernel(car, scene.rate, count=8, low_hz=60, high_hz=1500, quality=(2, 10))
    strength = np.exp(rng.normal(0, 0.4, len(times)))
    return convolve(deposit(scene.n, times * scene.rate, strength), kernel)


def _compressor(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Air conditioning: a click as the clutch engages, then a rough beat at piston orders for a while."""
    time = scene.driving.time_s
    start = rng.uniform(-5, time[-1])
    end = start + rng.uniform(2, 15)
    running = ramp_gate(((time >= start) & (time < end)).astype(float), 0.05, 0.1)
    ratio, pistons = car.uniform(1.0, 1.6), float(car.choice([5, 6, 7, 10]))
    beat = np.maximum(1 + turn_table(scene.turns * ratio * pistons, cosine()), 0) ** np.float32(
        car.uniform(0.5, 3)
    )
    noise = shaped_noise(
        rng, scene.n, scene.rate, [(80, -10), (300, 0), (1500, -5), (5000, -20), (30000, -50)]
    )
    tone = turn_table(scene.turns * ratio * pistons, cosine()) * np.float32(car.uniform(0, 1.5))
    clicks = np.array([t for t in (start, end) if 0 < t < time[-1]])
    kernel = modes_kernel(car, scene.rate, count=8, low_hz=200, high_hz=5000, quality=(2, 15), longest_s=0.05)
    click = convolve(deposit(scene.n, clicks * scene.rate, np.full(len(clicks), 60.0)), kernel)
    return (noise * beat + tone) * on_samples(running, scene.n, scene.rate) + click


def _draught(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Air that belt-driven parts stir: broad noise that swells smoothly with a rotor's turns or blades.

    The alternator's own fan, the blades on the water pump, a pulley with holes: one or two rotors whose
    orders belong to no half order, in all bands alike, without impacts. Two in five have blades at unequal
    angles, as makers space them against whistling: their swell also has lines a turn of the rotor beside.
    """
    low, high = uniform_log(car, 150, 900), uniform_log(car, 2500, 12000)
    tilt = float(car.uniform(-14, 0))
    points = [(low / 3, -25.0), (low, 0.0), (high, tilt), (high * 2, tilt - 25.0), (90000.0, -70.0)]
    rush = shaped_noise(rng, scene.n, scene.rate, points)
    swing: FloatArray = np.zeros(scene.n, np.float32)
    for _ in range(int(car.integers(1, 3))):
        turns = car.uniform(0.8, 1.6) if car.random() < 0.5 else car.uniform(1.6, 3.4)
        blades = int(car.choice([1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 13]))
        depth = np.float32(uniform_log(car, 0.1, 0.95))
        uneven = car.uniform(0.02, 0.25) if car.random() < 0.4 else 0.0
        swing = swing + depth * turn_table(scene.turns * turns, _blades_pass(car, blades, uneven))
    return rush * np.maximum(1 + swing, 0) * _wander(rng, scene, 0.8, 0.15)


def _blades_pass(car: np.random.Generator, blades: int, uneven: float) -> FloatArray:
    """How air swells over one turn of a rotor, shape (4096,), largest 1: each blade pushes once.

    uneven: spread of the blades' angles in parts of their mean distance.
    """
    at = (np.arange(blades) + car.random() + uneven * car.standard_normal(blades)) / blades
    sharp = float(car.uniform(0.0, 0.3))
    phase = 2 * np.pi * (np.arange(4096) / 4096 - at[:, None])
    if uneven == 0.0:
        swell = np.cos(blades * phase[0]) + sharp * np.cos(2 * blades * phase[0])
    else:
        away = np.abs((phase / (2 * np.pi) + 0.5) % 1.0 - 0.5) * blades
        swell = np.sum(np.exp(-np.square(away * (2.0 + 8 * sharp))), axis=0)
        swell = swell - np.mean(swell)
    return np.asarray(swell / np.max(np.abs(swell)), np.float32)


def _intake_leak(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Air drawn in past a crack: a hiss or whistle that swells with the intake strokes, not with the wheel.

    The manifold is emptiest at idle: where the throttle opens, the hiss falls, and comes back afterwards.
    """
    low, high = uniform_log(car, 500, 3000), uniform_log(car, 5000, 16000)
    points = [
        (low / 3, -25.0),
        (low, 0.0),
        (high, float(car.uniform(-15, 3))),
        (high * 2, -35.0),
        (90000.0, -70.0),
    ]
    sound = unit(shaped_noise(rng, scene.n, scene.rate, points))
    if car.random() < 0.4:
        hz = uniform_log(car, 700, 0.2 * scene.rate) * np.exp(walk(rng, len(scene.load), 0.5, 0.01))
        turned = np.cumsum(on_samples(hz, scene.n, scene.rate).astype(np.float64)) / scene.rate
        sound += gain(car.uniform(-14, 8)) * turn_table(turned, cosine())
    strokes = scene.turns * (scene.cylinders / 2)
    depth = np.float32(uniform_log(car, 0.03, 0.7))
    swell = (
        1
        + depth * turn_table(strokes, cosine(car.random()))
        + depth * np.float32(car.uniform(0, 0.5)) * turn_table(scene.turns / 2, cosine(car.random()))
    )
    emptied = scene.relative_speed ** -car.uniform(0.0, 2.5)
    return (
        sound
        * np.maximum(swell, 0)
        * on_samples(emptied, scene.n, scene.rate)
        * _wander(rng, scene, 0.5, 0.1)
    )


def _loose_sheet(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """A heat shield or bracket that is loose: it chatters where the engine shakes it near its own beat."""
    order = float(car.choice([1.0, 0.5, scene.cylinders / 2, scene.cylinders / 2]))
    count = int(car.integers(1, 5))
    place = car.uniform(0, 1, count) ** 2 * car.uniform(0.2, 1.0)
    turns = (np.arange(np.floor(scene.turns[-1] * order) + 1)[:, None] + place[None, :]) / order
    times = scene.driving.times_of_turns(turns.ravel())
    loud = np.exp(rng.normal(0, uniform_log(car, 0.2, 1.0), turns.shape)) * 0.7 ** np.arange(count)[None, :]
    own, wide = car.uniform(0.8, 1.8), car.uniform(0.1, 0.8)
    shaken = np.exp(-(((scene.relative_speed - own) / wide) ** 2)) + car.uniform(0.0, 0.3)
    shaken = shaken * np.exp(walk(rng, len(shaken), uniform_log(car, 0.05, 1.0), car.uniform(0.2, 0.8)))
    heights = loud.ravel() * np.interp(times, scene.driving.time_s, shaken)
    inside = times > 0
    jitter = rng.normal(0, uniform_log(car, 0.0002, 0.003), int(inside.sum()))
    kernel = modes_kernel(
        car, scene.rate, count=int(car.integers(5, 14)), low_hz=uniform_log(car, 250, 1500),
        high_hz=uniform_log(car, 3000, 12000), quality=(4, 60), longest_s=0.06,
    )  # fmt: skip
    return convolve(deposit(scene.n, (times[inside] + jitter) * scene.rate, heights[inside]), kernel)


def _valve_rush(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """Fluid throttled in a sound rotary valve: it rushes as the wheel works, less at rest and at a stop.

    The edges open with the load; at a stop nothing more flows through the gear.
    """
    load, stop = scene.load, scene.driving.steering.at_stop
    centre = uniform_log(car, 600, 6000)
    wide = car.uniform(0.5, 2.0)
    points = [(centre / 2 ** (2 * wide), -25.0), (centre, 0.0), (centre * 2 ** (2 * wide), -25.0)]
    rush = shaped_noise(rng, scene.n, scene.rate, [*points, (120000.0, -60.0)])
    if car.random() < 0.3:
        hz = centre * np.exp(walk(rng, len(load), 0.3, 0.02)) * (1 + car.uniform(-0.1, 0.3) * load)
        turned = np.cumsum(
            on_samples(np.minimum(hz, 0.4 * scene.rate), scene.n, scene.rate).astype(np.float64)
        )
        whistle = turn_table(turned / scene.rate, cosine())
        rush = rush + gain(car.uniform(-16, 2)) * whistle
    left = np.where(stop, car.uniform(0.0, 0.3), 1.0)
    opened = car.uniform(0.0, 0.15) + load ** car.uniform(0.4, 1.5) * left
    return rush * on_samples(opened, scene.n, scene.rate) * _wander(rng, scene, 0.15, 0.25)


def _joint_squeak(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """A dry ball joint or bush: it sticks and slips in trains of pulses while the wheel is turned."""
    pitch = uniform_log(car, 150, 1800)
    body = modes_kernel(car, scene.rate, count=6, low_hz=400, high_hz=5000, quality=(5, 40), longest_s=0.03)
    times: list[FloatArray] = []
    for name, start, end in scene.driving.steering.spans:
        if name != "turning" or rng.random() < 0.3:
            continue
        at = start + rng.uniform(0, 0.7) * (end - start)
        count = int(pitch * min(rng.uniform(0.05, 0.6), max(end - at, 0.05)))
        gaps = (1 + rng.normal(0, 0.03, count)) * np.linspace(1, rng.uniform(0.8, 1.4), count) / pitch
        times.append(at + np.cumsum(gaps))
    if not times:
        return np.zeros(scene.n, np.float32)
    when = np.concatenate(times)
    return convolve(deposit(scene.n, when * scene.rate, np.exp(rng.normal(0, 0.2, len(when)))), body)


def _belt_part(car: np.random.Generator, rng: np.random.Generator, scene: Scene) -> FloatArray:
    """A part that only shares the belt and is heard well: a generator under load, a water pump, a pulley.

    Tones at multiples of a count a turn of its own, as loud at the stops as elsewhere, with lines a turn
    beside where it runs out of true; it grows with speed, and where it is a generator, with the current.
    """
    sound: FloatArray = np.zeros(scene.n, np.float32)
    for _ in range(int(car.integers(1, 3))):
        generator = car.random() < 0.5
        turns = scene.turns * (car.uniform(1.8, 3.3) if generator else car.uniform(0.7, 2.2))
        count = float(car.choice([6, 12, 36, 8, 16] if generator else [1, 2, 3, 5, 6, 7, 8, 9, 11, 13]))
        tones = np.zeros(scene.n, np.float32)
        fall = uniform_log(car, 0.3, 3.0)
        for k in range(1, 7):
            strength = np.float32(car.uniform(0.2, 1.0) * k**-fall)
            if k * count * 3.3 * float(np.max(scene.driving.rpm)) / 60 < 0.45 * scene.rate:
                tones += strength * turn_table(turns * (count * k), cosine(car.random()))
        true = np.float32(car.uniform(0.0, 0.6) if car.random() < 0.5 else 0.0)
        tones = tones * (1 + true * turn_table(turns, cosine(car.random())))
        drawn = np.exp(walk(rng, len(scene.load), 1.0, 0.5 if generator else 0.1))
        grown = scene.relative_speed ** car.uniform(0.0, 1.5)
        sound = sound + np.float32(car.uniform(0.3, 1.0)) * tones * on_samples(
            drawn * grown, scene.n, scene.rate
        )
    return sound


_MAKERS = {
    "alternator": _alternator,
    "fan": _fan,
    "idler": _idler,
    "turbo": _turbo,
    "purge_valve": _purge_valve,
    "blower": _blower,
    "tyre_scrub": _tyre_scrub,
    "reversal_knock": _reversal_knock,
    "compressor": _compressor,
    "draught": _draught,
    "intake_leak": _intake_leak,
    "loose_sheet": _loose_sheet,
    "valve_rush": _valve_rush,
    "joint_squeak": _joint_squeak,
    "belt_part": _belt_part,
}
