"""What the engine's speed and the steering wheel do during a clip of the bay built apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

from .sound import SLOW_HZ, between, drift, one_pole, stretched

__all__ = ["MODES", "STEERING", "Course", "Steered", "make_course", "steer"]

MODES: dict[str, float] = {
    "idle": 0.4,
    "raised": 0.14,
    "blips": 0.16,
    "run_up": 0.08,
    "run_down": 0.08,
    "idle_then_raised": 0.14,
}
"""What the speed does, with its weight."""
STEERING: dict[str, float] = {"still": 0.28, "lock_to_lock": 0.3, "one_lock": 0.18, "sawing": 0.24}
"""What the hands do, with its weight."""

Steered = tuple[tuple[str, float, float], ...]
"""Spans of (phase, start, end) in seconds from 0 to the end of the clip."""


@dataclass(frozen=True, eq=False)
class Course:
    """Speed, crank angle and pump load at every sample.

    ``rpm``, ``turns`` (crank turns since the start), ``load`` (0 at rest to 1 at a stop), ``pull`` (rpm a
    second) have shape (n,).
    """

    rate: int
    n: int
    idle_rpm: float
    rpm: FloatArray
    turns: FloatArray
    load: FloatArray
    pull: FloatArray
    steered: Steered

    @property
    def seconds(self) -> float:
        """Length of the clip."""
        return self.n / self.rate

    def places(self, turns: FloatArray) -> FloatArray:
        """Sample (with fraction) at which the crank has made so many turns; -1 outside the clip."""
        return np.interp(turns, self.turns, np.arange(self.n), left=-1.0, right=-1.0)

    def loudness(self, power: float) -> FloatArray:
        """Amplitude that grows with a power of speed, 1 at idle."""
        return np.asarray((self.rpm / np.float32(self.idle_rpm)) ** np.float32(power), np.float32)

    def stops(self, least_s: float = 0.3) -> list[tuple[float, float]]:
        """Spans in which the wheel is held at a stop."""
        return [(a, b) for phase, a, b in self.steered if phase == "stop" and b - a >= least_s]


def steer(rng: np.random.Generator, style: str, seconds: float) -> Steered:
    """Let the hands turn the wheel in one of the styles of ``STEERING``."""
    if style == "still":
        return (("centre", 0.0, seconds),)
    plan = [("centre", between(rng, 0.4, 3.0))]
    while sum(length for _, length in plan) < seconds:
        if style == "lock_to_lock":
            plan += [("turning", between(rng, 1.0, 3.2)), ("stop", between(rng, 0.5, 2.5))]
            if rng.random() < 0.25:
                plan += [("turning", between(rng, 0.8, 1.6)), ("centre", between(rng, 0.3, 2.0))]
        elif style == "one_lock":
            plan += [("turning", between(rng, 0.8, 2.0)), ("stop", between(rng, 0.8, 3.5))]
            plan += [("turning", between(rng, 0.8, 2.0)), ("centre", between(rng, 1.5, 5.0))]
        else:
            for _ in range(int(rng.integers(3, 9))):
                plan += [("turning", between(rng, 0.4, 1.4)), ("centre", between(rng, 0.05, 0.4))]
            plan += [("centre", between(rng, 0.4, 2.5))]
    spans: list[tuple[str, float, float]] = []
    at = 0.0
    for phase, length in plan:
        end = min(at + length, seconds)
        if end - at < 0.05:
            break
        if spans and spans[-1][0] == phase:
            spans[-1] = (phase, spans[-1][1], end)
        else:
            spans.append((phase, round(at, 3), round(end, 3)))
        at = round(end, 3)
    last, start, _ = spans[-1]
    spans[-1] = (last, start, seconds)
    return tuple(spans)


def _pressure(rng: np.random.Generator, steered: Steered, count: int) -> FloatArray:
    """Load of the pump at ``SLOW_HZ``: pressure over that of the relief valve."""
    t = np.arange(count) / SLOW_HZ
    load = np.full(count, between(rng, 0.04, 0.12))
    for phase, start, end in steered:
        inside = (t >= start) & (t < end)
        if phase == "turning":
            swell = np.sin(np.pi * np.clip((t[inside] - start) / (end - start), 0, 1)) ** 0.3
            load[inside] = np.maximum(load[inside], between(rng, 0.25, 0.6) * swell)
        elif phase == "stop":
            load[inside] = between(rng, 0.94, 1.0)
    wobble = 1 + 0.08 * np.interp(t, np.arange(0, t[-1] + 1, 0.2), rng.standard_normal(int(t[-1] / 0.2) + 6))
    return np.clip(
        one_pole(load * np.where(load < 0.9, wobble, 1), SLOW_HZ, between(rng, 0.04, 0.12), 0.15), 0, 1
    )


def _wanted(rng: np.random.Generator, mode: str, idle: float, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Speed that the throttle asks for, and how fast the engine may rise, both at ``SLOW_HZ``."""
    end = float(t[-1])
    high = between(rng, 1300, 2700)
    rise = np.full(len(t), between(rng, 1500, 3000))
    wanted = np.full(len(t), idle)
    if mode == "raised":
        wanted[:] = high
    elif mode == "blips":
        at = between(rng, 0.5, 2.5)
        while at < end - 1.0:
            wanted[(t >= at) & (t < at + between(rng, 0.35, 1.0))] = between(rng, 2200, 4000)
            at += between(rng, 2.0, 5.0)
    elif mode in {"run_up", "run_down"}:
        start, length = between(rng, 0.05, 0.3) * end, between(rng, 0.3, 0.6) * end
        ramp = np.clip((t - start) / length, 0, 1)
        wanted = idle + (high - idle) * (ramp if mode == "run_up" else 1 - ramp)
    elif mode == "idle_then_raised":
        start, length = between(rng, 0.3, 0.6) * end, between(rng, 0.4, 1.5)
        wanted = idle + (high - idle) * np.clip((t - start) / length, 0, 1)
    return wanted, rise


def make_course(
    rng: np.random.Generator, mode: str, idle_rpm: float, steered: Steered, n: int, rate: int
) -> Course:
    """Run the engine: throttle, hunting of the idle, and the dips that the pump's load costs."""
    count = int(n / rate * SLOW_HZ) + 3
    t = np.arange(count) / SLOW_HZ
    load = _pressure(rng, steered, count)
    wanted, rise = _wanted(rng, mode, idle_rpm, t)
    speed, fall_s, lag_s = np.empty(count), between(rng, 0.5, 1.1), between(rng, 0.05, 0.15)
    state = float(wanted[0])
    for k in range(count):
        gap = wanted[k] - state
        state += min(gap / lag_s, rise[k]) / SLOW_HZ if gap > 0 else gap / fall_s / SLOW_HZ
        speed[k] = state
    closed = idle_rpm / speed
    sag = between(rng, 15, 60) * (load - one_pole(load, SLOW_HZ, 1.2, 0.6)) + between(rng, 5, 35) * load
    hunt = between(rng, 1, 14) * np.sin(2 * np.pi * (between(rng, 0.3, 1.2) * t + rng.random()))
    wander = between(rng, 3, 10) * drift(rng, count, SLOW_HZ, 0.5) + between(rng, 2, 12) * drift(
        rng, count, SLOW_HZ, 2.5
    )
    foot = np.where(speed > 1.3 * idle_rpm, 1.6, 1.0)
    speed = np.maximum(speed - sag * closed + hunt * closed + wander * foot, 450.0)
    rpm = stretched(speed, n, rate).astype(np.float64)
    turns = np.concatenate([[0.0], np.cumsum((rpm[1:] + rpm[:-1]) / (120.0 * rate))])
    return Course(
        rate=rate,
        n=n,
        idle_rpm=idle_rpm,
        rpm=rpm.astype(np.float32),
        turns=turns,
        load=stretched(load, n, rate),
        pull=stretched(np.gradient(speed) * SLOW_HZ, n, rate),
        steered=steered,
    )
