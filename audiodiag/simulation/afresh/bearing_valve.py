"""Bearing and relief valve of the bay made afresh: growl of rolling parts, hiss of a jet at a stop."""

from __future__ import annotations

import numpy as np
from scipy import fft

from audiodiag.records import FloatArray

from .pump import Belted, Heard
from .running import Run
from .tools import (
    even,
    evenly,
    gated,
    hump_noise,
    kernel,
    log_even,
    modes_of,
    ringing,
    sine,
    strewn,
    wander,
)

__all__ = ["GROWLS", "HISSES", "make_growl", "make_hiss"]

GROWLS: dict[str, float] = {
    "pitted_ring": 0.25,
    "pitted_inner": 0.15,
    "dented_all_round": 0.2,
    "loose_cage": 0.15,
    "dry": 0.25,
}
"""How the growl is made, with its weight.

One pit of the fixed ring; one of the turning ring; dents at equal gaps; balls whose cage rattles; a dry
bearing, rough by the load's place, each ball on its own.
"""
HISSES: dict[str, float] = {"jet": 0.35, "edge_tone": 0.2, "by_pulses": 0.2, "two_ways": 0.25}
"""How the hiss is made, with its weight.

A jet's noise with one broad hump; a jet that excites an edge; noise that swells with the pump's pulses; a
first and a second opening.
"""


def make_growl(rng: np.random.Generator, run: Run, belt: Belted, variant: str, top_hz: float) -> Heard:
    """Strikes and roughness of a bearing whose balls pass a place n/2 (1 +- r cos a) times a turn.

    For n balls of r = ball over pitch diameter and contact angle a (Randall and Antoni, MSSP 25(2), 2011).
    """
    n, rate = run.n, run.rate
    shaft = ("pump", "idler", "alternator")[int(rng.choice(3, p=[0.55, 0.3, 0.15]))]
    of_crank = {
        "pump": belt.ratio,
        "idler": round(log_even(rng, 1.2, 2.8), 3),
        "alternator": round(even(rng, 2.0, 3.2), 3),
    }[shaft]
    turns = belt.turns if shaft == "pump" else run.turns * of_crank
    balls = int(rng.integers(6, 13))
    share = even(rng, 0.16, 0.32) * np.cos(np.radians(even(rng, 0, 25)))
    cage = 0.5 * (1 - share)
    passes = balls * (0.5 * (1 + share) if variant == "pitted_inner" else cage)
    growth = run.stronger(even(rng, 0.2, 1.6)) * np.exp(np.float32(0.12) * wander(rng, n, rate, 0.6))
    growth = growth * (1 + np.float32(even(rng, -0.1, 0.4)) * run.pressure if shaft == "pump" else 1)
    high = min(7000.0, 0.9 * top_hz)
    roughness = hump_noise(
        rng, n, rate, [(log_even(rng, 150, 1500), even(rng, 1.5, 4), 1.0)], floor=(500, even(rng, 3, 7), 0.2)
    )
    body = kernel(
        modes_of(
            rng,
            int(rng.integers(4, 14)),
            log_even(rng, 250, 1000),
            high,
            quality=(4, 25),
            slope=even(rng, -0.2, 1),
        ),
        rate,
    )
    order = passes
    if variant == "dry":
        each = rng.lognormal(0, even(rng, 0.2, 0.6), balls).astype(np.float32)
        counted = turns * passes + 0.02 * wander(rng, n, rate, 0.3)
        ball = np.floor(counted).astype(np.int64) % balls
        part = (counted % 1.0).astype(np.float32)
        near = np.exp(np.float32(-even(rng, 3, 12)) * np.square(part - 0.5))
        place = 1 + np.float32(even(rng, 0.1, 0.7)) * sine(turns + rng.random())
        random = np.exp(np.float32(even(rng, 0.1, 0.5)) * wander(rng, n, rate, 0.04))
        sound = roughness * each[ball] * near * place * random
        sound = sound + np.float32(even(rng, 0, 0.6)) * evenly(ringing([(sound, body)]))
        return Heard(
            np.asarray(sound * growth, np.float32), [(0.0, run.seconds)], _told(shaft, order, of_crank)
        )
    count = int(turns[-1] * passes) + 4
    slip = rng.normal(0, log_even(rng, 0.003, 0.03), count)
    if variant == "loose_cage":
        slip = slip + 0.025 * np.interp(
            np.arange(count), 9 * np.arange(count // 9 + 2), rng.normal(0, 1, count // 9 + 2)
        )
    at = np.cumsum(np.maximum(1 + slip, 0.2)) / passes + rng.random()
    heights = rng.lognormal(0, even(rng, 0.1, 0.6), count)
    if variant == "pitted_inner":
        heights = heights * np.maximum(0.05, np.cos(2 * np.pi * at) + even(rng, 0, 0.8)) ** even(
            rng, 0.6, 1.6
        )
    elif variant == "dented_all_round":
        heights = heights * np.tile(rng.lognormal(0, 0.3, balls), count // balls + 1)[:count]
    elif variant == "loose_cage":
        heights = heights * (1 + even(rng, 0.3, 0.9) * np.sin(2 * np.pi * cage * at))
    else:
        heights = heights * (1 + even(rng, 0, 0.4) * np.sin(2 * np.pi * at))
    when = np.interp(at, turns, np.arange(n, dtype=np.float64), left=-1.0, right=-1.0)
    if variant == "dented_all_round":
        wide = int(rate * log_even(rng, 0.0002, 0.0015)) + 3
        body = np.convolve(body, np.hanning(wide)).astype(np.float32)
    struck = evenly(ringing([(strewn(n, when, heights), body)]))
    sound = (struck + np.float32(log_even(rng, 0.05, 0.8)) * roughness) * growth
    return Heard(np.asarray(sound, np.float32), [(0.0, run.seconds)], _told(shaft, order, of_crank))


def _told(shaft: str, passes: float, of_crank: float) -> dict[str, object]:
    return {"bearing_shaft": shaft, "bearing_order": round(passes * of_crank, 4), "shaft_order": of_crank}


def _jet(rng: np.random.Generator, n: int, rate: int, peak_hz: float) -> FloatArray:
    """Noise whose power rises to a peak and falls slowly above it, as that of a jet does."""
    size = fft.next_fast_len(n, real=True)
    x = np.arange(size // 2 + 1, dtype=np.float32) * np.float32(rate / size / peak_hz)
    gain = x ** np.float32(even(rng, 0.9, 2.0)) / (1 + np.square(x)) ** np.float32(even(rng, 0.9, 1.6))
    white = rng.standard_normal(2 * len(gain), dtype=np.float32).view(np.complex64)
    return evenly(np.asarray(fft.irfft(white * gain, size)[:n], np.float32))


def make_hiss(rng: np.random.Generator, run: Run, belt: Belted, variant: str, top_hz: float) -> Heard:
    """Noise of the jet through the relief valve while the wheel is held at a stop."""
    n, rate = run.n, run.rate
    spans = []
    for start, end in run.held():
        begin = start + even(rng, 0.0, 0.12)
        if end - begin > 0.25:
            spans.append((begin, end))
    spans = spans or run.held()
    gate = gated(spans, n, rate, log_even(rng, 0.04, 0.3), log_even(rng, 0.03, 0.12))
    peak = log_even(rng, 1500, min(8000.0, 0.75 * top_hz))
    noise = _jet(rng, n, rate, peak)
    if variant == "edge_tone":
        for _ in range(int(rng.integers(1, 4))):
            pitch = log_even(rng, 1500, min(8000.0, 0.8 * top_hz))
            turned = np.cumsum(1 + np.float32(0.02) * wander(rng, n, rate, 0.3), dtype=np.float64) * (
                pitch / rate
            )
            slow = log_even(rng, 0.002, 0.01)
            band = sine(turned) * wander(rng, n, rate, slow) + sine(turned + 0.25) * wander(
                rng, n, rate, slow
            )
            noise = noise + np.float32(even(rng, 0.15, 0.8)) * evenly(band)
    elif variant == "by_pulses":
        swell = 1 + np.float32(even(rng, 0.2, 0.8)) * sine(belt.turns * belt.pulses + rng.random())
        noise = noise * swell * (1 + np.float32(even(rng, 0, 0.4)) * sine(belt.turns + rng.random()))
    elif variant == "two_ways":
        second = _jet(rng, n, rate, log_even(rng, 1200, min(9000.0, 0.75 * top_hz)))
        share = np.clip(0.5 + wander(rng, n, rate, even(rng, 0.2, 1.0)), 0, 1)
        noise = noise * share + second * (1 - share)
    swell = np.exp(np.float32(even(rng, 0.0, 0.2)) * wander(rng, n, rate, 0.2))
    return Heard(np.asarray(noise * gate * swell, np.float32), spans)
