"""The bearing and the relief valve of the bay built apart: growl of struck races, hiss at the stops."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .course import Course
from .pump import Drive, Part
from .sound import between, drift, rings, shaped_noise, soft_gate, strikes, tone, unit

__all__ = ["GROWLS", "HISSES", "make_growl", "make_hiss"]

GROWLS: dict[str, float] = {"outer_race": 0.4, "inner_race": 0.25, "rumble": 0.35}
"""How the growl is made: strikes of a fixed race, of a turning race, or rumble that beats with the shaft."""
HISSES: dict[str, float] = {"smooth": 0.5, "throat": 0.3, "flutter": 0.2}
"""How the hiss is made: plain flow noise, noise with throats that ring, noise that flutters."""


def make_growl(rng: np.random.Generator, course: Course, drive: Drive, variant: str, top_hz: float) -> Part:
    """Strikes at an order of the bearing that is no whole number, ringing at 1 to 6 kHz; or rumble.

    Orders: n/2 (1 - r) strikes a shaft turn on the outer race, n/2 (1 + r) on the inner one, for n balls
    of r = ball over pitch diameter (Randall and Antoni, MSSP 25(2), 2011).
    """
    n, rate = course.n, course.rate
    if rng.random() < 0.7:
        shaft, of_shaft, turns = "pump", drive.ratio, drive.turns
    else:
        of_shaft = round(between(rng, 1.5, 2.4), 3)
        shaft, turns = "idler", course.turns * of_shaft
    balls, share = int(rng.integers(7, 10)), between(rng, 0.2, 0.3)
    hits = balls / 2 * (1 + share if variant == "inner_race" else 1 - share)
    if abs(hits - round(hits)) < 0.08:
        hits += 0.13
    told = {"bearing_shaft": shaft, "bearing_order": round(hits * of_shaft, 4), "shaft_order": of_shaft}
    high = min(6000.0, 0.9 * top_hz)
    growth = course.loudness(between(rng, 0.3, 1.0)) * (1 + 0.15 * drift(rng, n, rate, 0.8))
    depth = np.float32(between(rng, 0.5, 0.9) if variant == "inner_race" else between(rng, 0.1, 0.6))
    if variant == "rumble":
        depth = depth + np.float32(0.3)  # what is worn all round growls most under the load
    zone = 1 + depth * tone(turns + rng.random())
    if variant == "rumble":
        top = between(rng, 900, min(3000.0, high))
        noise = shaped_noise(
            rng, n, rate, [(70, -20.0), (between(rng, 150, 350), 0.0), (top, -6.0), (top * 2.5, -30.0)]
        )
        sharp = np.float32(2.5 * between(rng, 0.3, 0.8))  # each ball swells the noise shortly, not as a sine
        often = np.exp(sharp * tone(turns * hits + rng.random()))
        return Part(noise * zone * often * growth, [(0.0, course.seconds)], told)
    gaps = (1 + rng.normal(0, between(rng, 0.005, 0.02), int(turns[-1] * hits) + 4)) / hits
    when = np.interp(np.cumsum(gaps), turns, np.arange(n), left=-1, right=-1)
    heights = rng.lognormal(0, between(rng, 0.15, 0.4), len(when))
    train = strikes(n, when, heights) * zone * growth
    modes = [(between(rng, 1000, high), between(rng, 8, 30), between(rng, 0.3, 1.0)) for _ in range(4)]
    rolling = shaped_noise(rng, n, rate, [(100, -20.0), (800, 0.0), (high, -5.0), (high * 2, -30.0)])
    sound = unit(rings(train, rate, modes)) + np.float32(between(rng, 0.05, 0.3)) * rolling * growth
    return Part(sound, [(0.0, course.seconds)], told)


def make_hiss(rng: np.random.Generator, course: Course, variant: str, top_hz: float) -> Part:
    """Broadband flow noise, 1.5 to 11 kHz, only while the wheel is held at a stop, with soft edges."""
    n, rate = course.n, course.rate
    late = between(rng, 0.03, 0.15)
    spans = [(min(a + late, b - 0.2), b) for a, b in course.stops()]
    low, high = between(rng, 1300, 2600), min(between(rng, 6500, 11500), top_hz)
    low = min(low, high / 2)
    slope = between(rng, -8, 2)
    corners = [(60.0, -60.0), (low / 2, -24.0), (low, 0.0), (high, slope), (high * 1.5, slope - 25)]
    noise: FloatArray = shaped_noise(rng, n, rate, corners)
    if variant == "throat":
        modes = [(between(rng, low, high), between(rng, 2, 6), between(rng, 0.5, 1.5)) for _ in range(2)]
        noise = rings(noise, rate, modes, direct=0.5)
    elif variant == "flutter":
        hz = between(rng, 25, 90) * (1 + 0.04 * drift(rng, n, rate, 0.1))
        noise = noise * (
            1 + np.float32(between(rng, 0.15, 0.4)) * tone(np.cumsum(hz, dtype=np.float64) / rate)
        )
    gate = soft_gate(spans, n, rate, between(rng, 0.05, 0.15), between(rng, 0.04, 0.12))
    return Part(noise * gate * (1 + 0.06 * drift(rng, n, rate, 0.3)), spans)
