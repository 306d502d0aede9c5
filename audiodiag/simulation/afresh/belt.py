"""The belt of the bay made afresh: squeal of friction that feeds a swing, chirps of what passes crooked."""

from __future__ import annotations

from functools import cache

import numpy as np

from audiodiag.records import FloatArray

from .pump import Belted, Heard
from .running import Run
from .tools import (
    by_table,
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

__all__ = ["CHIRPS", "SQUEALS", "make_chirp", "make_squeal", "slip_spans"]

SQUEALS: dict[str, float] = {
    "stick_slip": 0.25,
    "fed_modes": 0.25,
    "narrow_noise": 0.15,
    "chopped": 0.15,
    "pulled_by_speed": 0.2,
}
"""How the squeal is made, with its weight.

A mass on a spring that sticks and slips, integrated; modes that friction feeds until they are full; noise
of a narrow band; a tone broken off at each belt pass; a pitch that rises with the speed of the slip.
"""
CHIRPS: dict[str, float] = {
    "stick_clicks": 0.25,
    "bent_tone": 0.25,
    "two_places": 0.15,
    "by_pulley": 0.2,
    "in_runs": 0.15,
}
"""How the chirp is made, with its weight.

Clicks of stick and slip that slow down; a short tone that bends; two places of one belt; one a turn of a
pulley; noises that come some passes long and then stay away.
"""


def slip_spans(rng: np.random.Generator, run: Run) -> list[tuple[float, float]]:
    """When the belt slips: where pressure or the engine's pull steps up, or in spells where neither does."""
    step = run.rate // 50
    pressure = run.pressure[::step]
    ask = pressure + 0.6 * np.clip(run.pull[::step] / 2500, 0, 1)
    slips = ask > even(rng, 0.35, 0.75) * max(float(ask.max()), 0.3)
    if float(ask.max()) < 0.3 or rng.random() < 0.15:
        spans = []
        at = even(rng, 0.0, 0.3) * run.seconds
        while at < run.seconds - 0.4:
            spans.append((at, min(run.seconds, at + log_even(rng, 0.4, 4.0))))
            at = spans[-1][1] + log_even(rng, 0.5, 5.0)
        return spans or [(0.2, run.seconds - 0.2)]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], slips.astype(np.int8), [0]]))) / 50
    spans = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        start = float(a) + even(rng, 0.0, 0.12)
        end = min(float(b) if rng.random() < 0.6 else start + log_even(rng, 0.3, 2.0), run.seconds)
        if spans and start - spans[-1][1] < 0.15:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        elif end - start > 0.2 and (rng.random() < 0.85 or not spans):
            spans.append((start, end))
    return spans or [(0.2, min(2.5, run.seconds))]


@cache
def _stick_slip_waves() -> FloatArray:
    """One cycle each of a mass on a spring on a moving belt, shape (32, 512), from swinging to sticking.

    Unit mass and spring, belt speed v, friction that falls as the slip grows (a Stribeck curve,
    smoothed at rest); integrated by half-step leaps of all 32 belt speeds at once until the swing
    repeats.
    """
    speed = np.geomspace(0.9, 0.05, 32)
    place, going = np.full(32, 0.5), np.zeros(32)
    step, count = 0.02, 5000
    track = np.empty((count, 32))
    for k in range(count):
        slip = speed - going
        friction = np.tanh(slip / 0.04) * (0.5 + 0.9 * np.exp(-np.abs(slip) / 0.35))
        going += step * (friction - place - 0.03 * going)
        place += step * going
        track[k] = going
    waves = np.empty((32, 512))
    for k in range(32):
        kept = track[count // 2 :, k]
        middle = kept - kept.mean()
        ups = np.flatnonzero((middle[:-1] < 0) & (middle[1:] >= 0))
        first, last = (int(ups[-2]), int(ups[-1])) if len(ups) > 2 else (0, 314)
        cycle = np.interp(np.linspace(first, last, 513)[:-1], np.arange(len(kept)), middle)
        waves[k] = cycle - cycle.mean()
    return (waves / np.sqrt(np.mean(waves**2, axis=1, keepdims=True) + 1e-12)).astype(np.float32)


def make_squeal(
    rng: np.random.Generator,
    run: Run,
    belt: Belted,
    variant: str,
    spans: list[tuple[float, float]],
    top_hz: float,
) -> Heard:
    """Friction tone or band of 1.1 to 7.5 kHz while the belt slips."""
    n, rate = run.n, run.rate
    pitch = log_even(rng, 1100.0, min(7500.0, 0.8 * top_hz))
    gate = gated(spans, n, rate, log_even(rng, 0.02, 0.2), log_even(rng, 0.03, 0.3))
    swell = np.exp(np.float32(even(rng, 0.05, 0.4)) * wander(rng, n, rate, even(rng, 0.04, 0.5)))
    bend = np.float32(even(rng, 0.002, 0.02)) * wander(rng, n, rate, even(rng, 0.05, 0.8))
    bend += np.float32(even(rng, 0.0003, 0.004)) * wander(rng, n, rate, 0.01)
    bend += np.float32(even(rng, -0.1, 0.06)) * gate * (0.5 + run.pressure)
    told = {"squeal_hz": round(pitch, 1)}
    if variant == "pulled_by_speed":
        bend += run.stronger(even(rng, 0.1, 0.7)) - np.float32(np.median(run.stronger(0.4)))
        bend = np.clip(bend, -0.5, 0.6)
    turned = np.cumsum(1 + bend, dtype=np.float64) * (pitch / rate)
    if variant == "stick_slip":
        waves = _stick_slip_waves()
        at = int(rng.integers(0, 30))
        other = min(31, at + int(rng.integers(1, 8)))
        # what a table holds above the top of the file would fold back
        lines = max(1, int(0.45 * rate / (pitch * 1.25)))
        cut = [np.fft.irfft(np.fft.rfft(wave)[: lines + 1], 512) for wave in (waves[at], waves[other])]
        mix = np.clip(run.pressure + np.float32(0.3) * wander(rng, n, rate, 0.1), 0, 1)
        sound = by_table(cut[0], turned) * (1 - mix) + by_table(cut[1], turned) * mix
        body = modes_of(rng, 8, 900, 9000, quality=(2, 12), slope=even(rng, 0, 0.8))
        sound = evenly(sound) + np.float32(even(rng, 0.1, 1)) * evenly(ringing([(sound, kernel(body, rate))]))
    elif variant == "fed_modes":
        sound = np.zeros(n, np.float32)
        number = int(rng.integers(2, 4))
        turn = np.float32(1.5) * wander(rng, n, rate, even(rng, 0.2, 1.0))
        for k in range(number):
            off = even(rng, 0.72, 1.5) if k else 1.0
            won = 1 / (1 + np.exp(-6 * (turn * (1 if k % 2 else -1) + np.float32(0.6 - 0.5 * k))))
            sound += won * sine(turned * off + rng.random())
            if 2 * pitch * off < 0.42 * rate:
                sound += np.float32(even(rng, 0.03, 0.4)) * won * sine(turned * 2 * off + rng.random())
    elif variant == "narrow_noise":
        slow = even(rng, 0.003, 0.02)
        sound = sine(turned) * wander(rng, n, rate, slow) + sine(turned + 0.25) * wander(rng, n, rate, slow)
    else:
        sound = np.zeros(n, np.float32)
        for k in range(1, int(rng.integers(2, 6))):
            if k * pitch * 1.3 < 0.45 * rate:
                sound += np.float32(rng.lognormal(-0.3, 0.5) / k ** even(rng, 0.6, 2)) * sine(turned * k)
    if variant == "chopped":
        pass_ = (belt.turns * (belt.belt_order / belt.ratio) * int(rng.integers(1, 4)) + rng.random()) % 1.0
        gone = np.float32(even(rng, 0.1, 0.5))
        edge = np.float32(0.04)
        there = np.clip((pass_.astype(np.float32) - gone) / edge, 0, 1) * np.clip((1 - pass_) / edge, 0, 1)
        swell = swell * (np.float32(even(rng, 0.0, 0.3)) + there.astype(np.float32))
    scrub = hump_noise(rng, n, rate, [(pitch * even(rng, 0.7, 1.4), even(rng, 0.8, 2.0), 1.0)])
    whole = (evenly(sound) + np.float32(log_even(rng, 0.02, 0.35)) * scrub) * swell * gate
    return Heard(np.asarray(whole, np.float32), spans, told)


def make_chirp(rng: np.random.Generator, run: Run, belt: Belted, variant: str, top_hz: float) -> Heard:
    """Short bright sounds, one or two a belt pass or one a turn of a pulley."""
    n, rate = run.n, run.rate
    order = belt.belt_order
    if variant == "by_pulley":
        order = belt.ratio if rng.random() < 0.6 else round(even(rng, 0.6, 2.2), 3)
    turns = belt.turns / belt.ratio
    number = int(turns[-1] * order) + 3
    passes = np.arange(number) - 1 + rng.random() + rng.normal(0, log_even(rng, 0.004, 0.05), number)
    heights = rng.lognormal(0, even(rng, 0.1, 0.5), number)
    if variant == "two_places":
        passes = np.concatenate([passes, passes + even(rng, 0.15, 0.85)])
        heights = np.concatenate([heights, even(rng, 0.3, 1.1) * heights])
    stays = 1.0
    if variant == "in_runs":
        stays = even(rng, 0.35, 0.8)
        heights = heights * (np.convolve(rng.normal(0, 1, number + 8), np.ones(9), "valid") / 3 < 1.2 * stays)
    else:
        heights = heights * (rng.random(len(heights)) > even(rng, 0, 0.25))
    when = np.interp(passes / order, turns, np.arange(n, dtype=np.float64), left=-1.0, right=-1.0)
    told = {"chirp_order": order}
    spells = [(0.0, run.seconds)]
    if rng.random() < 0.3:
        start = even(rng, 0, 0.4) * run.seconds
        spells = [(start, min(run.seconds, start + even(rng, 0.4, 0.8) * run.seconds))]
    inside = (when >= spells[0][0] * rate) & (when < spells[0][1] * rate - 1)
    if not (inside & (heights > 0)).any():
        when, heights, inside = np.array([n / 2.0]), np.ones(1), np.ones(1, bool)
        spells = [(0.0, run.seconds)]
    when, heights = when[inside & (heights > 0)], heights[inside & (heights > 0)]
    slowest = 60 / (float(np.quantile(run.rpm, 0.9)) * order)
    long_s = min(log_even(rng, 0.012, 0.12), 0.4 * slowest)
    pitch = log_even(rng, 1600, min(9000.0, 0.8 * top_hz))
    m = int(long_s * rate)
    t = np.arange(m) / rate
    rise = even(rng, 0.05, 0.5)
    shape = np.minimum(t / (rise * long_s), np.exp(-(t - rise * long_s) / (0.3 * long_s)))
    shape = shape * np.clip((long_s - t) / (0.1 * long_s), 0, 1)
    body = kernel(modes_of(rng, int(rng.integers(3, 9)), 1300, min(9500.0, top_hz), quality=(4, 30)), rate)
    noisy = variant == "in_runs" or (variant in {"by_pulley", "two_places"} and rng.random() < 0.4)
    if variant == "stick_clicks":
        pace = log_even(rng, 300, 1600)
        clicks = np.diff(np.floor(np.cumsum(pace * (1 - even(rng, 0, 0.6) * t / long_s)) / rate), prepend=0.0)
        burst: FloatArray = np.convolve(clicks * shape, body)
    elif noisy:
        burst = shape  # filled with a new noise each time, below
    else:
        bend = even(rng, -0.3, 0.25)
        turned = np.cumsum(pitch * (1 + bend * t / long_s + 0.02 * np.sin(2 * np.pi * 90 * t))) / rate
        burst = 0 * shape
        for k in (1, 2, 3):
            if k * pitch < 0.4 * rate:
                burst = burst + shape * rng.lognormal(-0.5, 0.5) / k * np.sin(2 * np.pi * k * turned)
    if noisy:
        noise = hump_noise(rng, n, rate, [(pitch, even(rng, 0.3, 1.2), 1.0)])
        sound: FloatArray = noise * ringing([(strewn(n, when, heights), shape.astype(np.float32))])
    else:
        sound = ringing([(strewn(n, when, heights), np.asarray(burst, np.float32))])
    return Heard(np.asarray(sound, np.float32), spells, told)
