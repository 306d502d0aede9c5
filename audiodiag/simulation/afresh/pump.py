"""The steering pump of the bay made afresh: whine of unequal vanes, groan of air and vapour."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import signal

from audiodiag.records import FloatArray

from .running import Run
from .tools import (
    Modes,
    by_table,
    even,
    evenly,
    gated,
    hump_noise,
    kernel,
    log_even,
    modes_of,
    named,
    ringing,
    sine,
    spread,
    strewn,
    wander,
)

__all__ = ["GROANS", "WHINES", "Belted", "Heard", "active_spans", "belted", "make_groan", "make_whine"]

WHINES: dict[str, float] = {
    "turn_wave": 0.3,
    "resonant_orders": 0.25,
    "bent_wave": 0.15,
    "rasping_vanes": 0.15,
    "beating_lobes": 0.15,
}
"""How the whine is made, with its weight.

The pressure of a whole turn through hose and housing; orders that grow and fade as they pass resonances;
a wave bent by the load; noise that bursts with each vane beside the tone; two lobes that differ and beat.
"""
GROANS: dict[str, float] = {
    "collapses": 0.3,
    "hose_growl": 0.2,
    "shudder": 0.15,
    "foam": 0.2,
    "gulps": 0.15,
}
"""How the groan is made, with its weight.

Bubbles that collapse by chance while vanes open; a hose that growls in its own pitches; a shudder of
valve and hoses with noise; vane orders roughened by air; gulps of vapour once a turn, each of its own
strength.
"""


@dataclass(frozen=True, eq=False)
class Belted:
    """What the belt drives: pump turns for a crank turn, vanes, belt passes for a crank turn.

    ``turns``: pump turns since the start with the belt's slip, float64, shape (n,).
    """

    ratio: float
    vanes: int
    belt_order: float
    turns: FloatArray

    @property
    def pulses(self) -> int:
        """Pulses of pressure a turn; an odd number of vanes gives twice as many from two lobes."""
        return self.vanes * (1 + self.vanes % 2)


@dataclass(frozen=True, eq=False)
class Heard:
    """Sound of a symptom, shape (n,), the spans in s in which it is there, and what of it is told."""

    sound: FloatArray
    spans_s: list[tuple[float, float]]
    told: dict[str, Any] = field(default_factory=dict)


def belted(
    rng: np.random.Generator,
    run: Run,
    slips: list[tuple[float, float]],
    *,
    ratio: float | None,
    vanes: int | None,
    belt_order: float | None,
) -> tuple[Belted, float]:
    """Draw what is left open of the belt drive and turn the pump; the second is how far the belt slips."""
    drawn = round(log_even(rng, 0.86, 1.62), 3)
    number = int(named(rng, {"8": 0.15, "9": 0.1, "10": 0.45, "11": 0.1, "12": 0.14, "13": 0.03, "7": 0.03}))
    order = round(log_even(rng, 0.2, 0.62), 4)
    ratio, vanes, belt_order = ratio or drawn, vanes or number, belt_order or order
    slip = log_even(rng, 0.004, 0.06)
    if not slips:
        return Belted(ratio, vanes, belt_order, run.turns * ratio), 0.0
    lag = 1 - np.float32(slip) * gated(slips, run.n, run.rate, 0.08, 0.15)
    speed = run.rpm * lag
    return Belted(
        ratio, vanes, belt_order, np.cumsum(speed, dtype=np.float64) * (ratio / 60 / run.rate)
    ), slip


def active_spans(course: FloatArray, rate: int, share: float = 0.35) -> list[tuple[float, float]]:
    """Spans in s in which a course is above a share of its 98 % point; gaps under 0.2 s are closed."""
    step = rate // 100
    coarse = course[::step]
    on = coarse > share * float(np.quantile(coarse, 0.98))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    end_s = len(course) / rate
    spans: list[tuple[float, float]] = []
    for a, b in zip(edges[::2] * step / rate, edges[1::2] * step / rate, strict=True):
        if spans and a - spans[-1][1] < 0.2:
            spans[-1] = (spans[-1][0], min(float(b), end_s))
        else:
            spans.append((float(a), min(float(b), end_s)))
    kept = [span for span in spans if span[1] - span[0] >= 0.08]
    return kept or [(0.0, end_s)]


def make_whine(rng: np.random.Generator, run: Run, pump: Belted, variant: str) -> Heard:
    """Tone at the pump's pulses a turn and their multiples, stronger under pressure."""
    n, rate = run.n, run.rate
    rest = np.float32(log_even(rng, 0.08, 0.75))
    law = rest + (1 - rest) * run.pressure ** np.float32(even(rng, 0.4, 1.8))
    growth = law * run.stronger(even(rng, 0.0, 1.2)) * np.exp(np.float32(0.12) * wander(rng, n, rate, 0.7))
    pulses, turns = pump.pulses, pump.turns
    if variant == "turn_wave":
        wave = by_table(_turn_table(rng, pulses), turns)
        hose_hz, gap = log_even(rng, 60, 260), even(rng, 0.9, 1.1)
        hose = Modes(
            hose_hz * (2 * np.arange(8) + 1) * gap,
            np.full(8, even(rng, 0.004, 0.02)),
            rng.lognormal(0, 0.7, 8) * (1.0 + np.arange(8)) ** -even(rng, 0.3, 1.2),
        )
        shell = modes_of(rng, 6, 500, 4500, quality=(2, 10), slope=even(rng, 0.3, 1.2))
        sound = evenly(ringing([(wave, kernel(hose, rate))]))
        sound = sound + np.float32(even(rng, 0.1, 0.8)) * evenly(ringing([(wave, kernel(shell, rate))]))
    elif variant == "resonant_orders":
        sound = _resonant_orders(rng, run, pump)
    elif variant == "bent_wave":
        lean = np.float32(even(rng, 0.02, 0.12)) * sine(turns + rng.random())
        first = sine(turns * pulses + lean) * (1 + np.float32(even(rng, 0.05, 0.4)) * sine(turns))
        push = np.float32(even(rng, 0.5, 4.0)) * law + np.float32(0.3)
        bias = np.float32(even(rng, 0.0, 0.6))
        sound = np.tanh(push * first + bias) - np.tanh(bias)
    elif variant == "rasping_vanes":
        pass_ = ((turns * pulses) % 1.0).astype(np.float32)
        burst = np.exp(pass_ * np.float32(-even(rng, 2, 9)))
        own = rng.lognormal(0, even(rng, 0.1, 0.5), pulses).astype(np.float32)
        vane = (np.floor(turns * pulses).astype(np.int64)) % pulses
        humps = [(log_even(rng, 500, 3500), even(rng, 0.8, 2.5), 1.0)]
        noise = hump_noise(rng, n, rate, humps) * burst * own[vane]
        tone = sine(turns * pulses) + np.float32(even(rng, 0.1, 0.9)) * sine(
            turns * 2 * pulses + rng.random()
        )
        sound = evenly(tone) + np.float32(even(rng, 0.15, 0.7)) * evenly(noise)
    else:
        lobes = np.float32(even(rng, 0.2, 0.9)) * sine(turns * (pulses / 2) + rng.random())
        beat = 1 + np.float32(even(rng, 0.2, 0.9)) * sine(turns * int(rng.integers(1, 3)) + rng.random())
        sound = beat * (sine(turns * pulses) + lobes)
        for k in range(2, int(rng.integers(3, 8))):
            sound = sound + np.float32(rng.lognormal(-0.5, 0.6) / k) * sine(
                turns * (pulses * k) + rng.random()
            )
    return Heard(evenly(np.asarray(sound, np.float32)) * growth, active_spans(law, rate))


def _turn_table(rng: np.random.Generator, pulses: int) -> FloatArray:
    """Pressure over one turn: each chamber meets the outlet with a spike and a sag, none like the next."""
    at = np.arange(4096) / 4096
    table = np.zeros(4096)
    uneven, offset = even(rng, 0.02, 0.25), even(rng, 0.0, 0.06)
    sharp, sag = even(rng, 0.08, 0.3), even(rng, 0.0, 0.8)
    for k in range(pulses):
        after = ((at - (k + rng.normal(0, offset)) / pulses) % 1.0) * pulses
        spike = np.exp(-after / sharp) - sag * np.exp(-after / (2.5 * sharp))
        table += rng.normal(1, uneven) * spike
    return np.asarray(table - table.mean(), np.float32)


def _resonant_orders(rng: np.random.Generator, run: Run, pump: Belted) -> FloatArray:
    """Orders whose height is the housing's answer at the frequency they have at the time."""
    count = run.n // (step := run.rate // 100) + 3
    rpm = np.append(run.rpm[::step], np.full(3, run.rpm[-1]))[:count].astype(np.float64)
    peaks = log_even(rng, 180, 700) * np.cumprod(rng.uniform(1.25, 2.2, 6))
    sharp = rng.uniform(2, 12, 6)
    high = rng.lognormal(0, 0.6, 6)
    sound = np.zeros(run.n, np.float32)
    orders = {pump.pulses * k: k ** -even(rng, 0.2, 1.4) for k in range(1, 7)}
    for side in (-2, -1, 1, 2):
        orders[pump.pulses + side] = even(rng, 0.02, 0.3)
    for order, height in orders.items():
        hz = rpm / 60 * pump.ratio * order
        if float(hz.max()) > 0.45 * run.rate:
            continue
        answer = 0.25 + sum(
            h / np.sqrt(1 + (q * (hz / p - p / hz)) ** 2) for p, q, h in zip(peaks, sharp, high, strict=True)
        )
        sound += spread(height * answer, step, run.n) * sine(pump.turns * order + rng.random())
    return sound


def _suction(rng: np.random.Generator, run: Run) -> FloatArray:
    """How hard the pump starves, 0 to 1, shape (n,): by the flow asked for, by pressure, or in spells."""
    kind = int(rng.integers(4))
    if kind == 0:
        law = np.float32(log_even(rng, 0.05, 0.6)) + run.flow
    elif kind == 1:
        law = np.float32(log_even(rng, 0.05, 0.5)) + run.pressure ** np.float32(even(rng, 0.7, 2.0))
    elif kind == 2:
        law = np.float32(0.4) + np.float32(even(rng, 0.2, 0.6)) * np.maximum(run.flow, run.pressure)
    else:
        law = np.float32(0.15) + 1 / (1 + np.exp(-3 * wander(rng, run.n, run.rate, even(rng, 0.5, 2.0))))
        law = law * (np.float32(0.4) + run.pressure)
    return np.asarray(law / float(law.max()), np.float32)


def _by_turn(rng: np.random.Generator, pump: Belted) -> FloatArray:
    """How what starves swells within a pump turn, mean about 1: by its one weak side, by lobes, by vanes."""
    once, lobes, vanes = log_even(rng, 0.15, 1.3), log_even(rng, 0.15, 1.1), even(rng, 0.0, 0.5)
    swell = np.float32(once) * sine(pump.turns + rng.random())
    swell += np.float32(lobes) * sine(2 * pump.turns + rng.random())
    swell += np.float32(vanes) * sine(pump.vanes * pump.turns + rng.random())
    return np.exp(swell - np.float32((once**2 + lobes**2 + vanes**2) / 4))


def make_groan(rng: np.random.Generator, run: Run, pump: Belted, variant: str) -> Heard:
    """Rough low sound of a pump that sucks vapour or air; its strength follows the pump's turns."""
    n, rate, turns = run.n, run.rate, pump.turns
    law = _suction(rng, run)
    growth = law * run.stronger(even(rng, 0.3, 1.8))
    told: dict[str, Any] = {}
    if variant == "collapses":
        open_ = (((turns * pump.vanes) % 1.0) < even(rng, 0.2, 0.7)).astype(np.float32)
        side = _by_turn(rng, pump) ** np.float32(1.5)
        chance = np.cumsum(growth * side * (np.float32(even(rng, 0.05, 0.6)) + open_), dtype=np.float64)
        number = int(rng.poisson(log_even(rng, 500, 6000) * run.seconds))
        when = np.interp(rng.random(number) * chance[-1], chance, np.arange(n))
        size = rng.random(number)
        strong = rng.pareto(even(rng, 3.0, 6.0), number) + 0.3
        pairs, tilt = [], even(rng, 0.0, 7.0)
        for k, (low, high) in enumerate(((90, 350), (220, 900), (600, 2600), (1500, 6000))):
            mine = (size >= k / 4) & (size < (k + 1) / 4)
            body = modes_of(rng, 5, low, high, quality=(1.2, 5), slope=0.3)
            share = even(rng, 0.5, 1.2) * 10 ** (-tilt * k / 20)
            signs = rng.choice([-1.0, 1.0], int(mine.sum()))
            body_kernel = kernel(body, rate)
            body_kernel = body_kernel / max(float(np.sqrt(np.sum(body_kernel**2))), 1e-9)
            pairs.append((strewn(n, when[mine], share * signs * strong[mine]), body_kernel))
        sound = ringing(pairs) * np.sqrt(law)
    elif variant == "hose_growl":
        sound = np.zeros(n, np.float32)
        first = log_even(rng, 95, 420)
        for k in range(int(rng.integers(2, 6))):
            pitch = first * (1 + k * even(rng, 0.7, 1.1))
            shaken = np.cumsum(1 + np.float32(0.03) * wander(rng, n, rate, 0.05), dtype=np.float64)
            tone = sine(shaken * (pitch / rate) + rng.random())
            sound += (
                np.float32(even(rng, 0.4, 1) / (1 + k) ** 0.5)
                * tone
                * wander(rng, n, rate, even(rng, 0.01, 0.06))
            )
        side = _by_turn(rng, pump)
        noise = hump_noise(rng, n, rate, [(first * even(rng, 2, 7), 3.0, 1.0)])
        sound = (evenly(sound) + np.float32(even(rng, 0.1, 0.7)) * noise) * side * growth
    elif variant == "shudder":
        pace = log_even(rng, 14, 60) * (1 + np.float32(0.05) * wander(rng, n, rate, 0.4))
        beat = np.cumsum(pace, dtype=np.float64) / rate
        swing = np.exp(np.float32(even(rng, 0.6, 2.2)) * sine(beat))
        once = _by_turn(rng, pump)
        noise = hump_noise(
            rng,
            n,
            rate,
            [(log_even(rng, 120, 500), even(rng, 1, 2.5), 1.0), (log_even(rng, 400, 2000), 2.0, 0.2)],
        )
        deep = sum(np.float32(1 / k) * sine(beat * k + rng.random()) for k in range(3, 12))
        sound = (
            (noise + np.float32(even(rng, 0.2, 0.9)) * evenly(np.asarray(deep, np.float32)))
            * swing
            * once
            * growth
        )
        told["shudder_hz"] = round(float(np.mean(pace)), 1)
    elif variant == "foam":
        sound = np.zeros(n, np.float32)
        for k in (1, 2, 3):
            lost = np.float32(even(rng, 0.15, 0.6) * k**0.5) * wander(rng, n, rate, even(rng, 0.02, 0.08))
            tone = sine(turns * (pump.pulses * k) + lost + rng.random())
            sound += (
                np.float32(even(rng, 0.3, 1) / k) * tone * (1 + np.float32(0.6) * wander(rng, n, rate, 0.04))
            )
        noise = hump_noise(rng, n, rate, [(log_even(rng, 150, 1200), even(rng, 2, 4), 1.0)])
        side = _by_turn(rng, pump)
        sound = (np.float32(even(rng, 0.3, 1.0)) * evenly(sound) + noise * side) * growth
    else:
        number = int(turns[-1]) + 2
        gulps = int(rng.integers(1, 3))
        strong = rng.lognormal(0, even(rng, 0.3, 0.9), number * gulps).astype(np.float32)
        counted = turns * gulps + rng.random()
        part = (counted % 1.0).astype(np.float32)
        rise = np.float32(even(rng, 0.1, 0.4))
        shape = np.minimum(part / rise, np.exp((rise - part) * np.float32(even(rng, 2, 6))))
        deep_hz = log_even(rng, 110, 400)
        noise = hump_noise(
            rng,
            n,
            rate,
            [(deep_hz, even(rng, 0.8, 2), 1.0), (deep_hz * even(rng, 2.5, 6), 1.5, even(rng, 0.1, 0.6))],
        )
        sound = noise * shape * strong[np.clip(counted.astype(np.int64), 0, len(strong) - 1)] * growth
    if variant != "collapses" and rng.random() < 0.7:  # what collapses in the pump itself, as gravel in it
        fine = hump_noise(rng, n, rate, [(log_even(rng, 700, 3500), even(rng, 1.0, 2.5), 1.0)])
        once = _by_turn(rng, pump)
        patchy = np.exp(np.float32(even(rng, 0.2, 0.7)) * wander(rng, n, rate, even(rng, 0.01, 0.1)))
        gravel = np.float32(10 ** (even(rng, -14, 2) / 20)) * evenly(fine * once * patchy * growth)
        sound = evenly(np.asarray(sound, np.float32)) + gravel
    high = signal.butter(2, 50, "high", fs=rate, output="sos")
    sound = signal.sosfilt(high.astype(np.float32), sound.astype(np.float32))
    return Heard(np.asarray(sound, np.float32), active_spans(growth, rate), told)
