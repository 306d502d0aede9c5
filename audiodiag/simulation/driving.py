"""What the driver does: the steering wheel, its load on the pump, and the engine speed over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

from .settings import BaySettings
from .signals import CONTROL_HZ, exponential_lag, pick, uniform_log, walk

__all__ = ["Driving", "Steering", "draw_driving", "draw_steering"]


@dataclass(frozen=True, eq=False)
class Steering:
    """Steering phases, and the load on the pump, shape (m,), 0 at rest to 1 at a stop."""

    spans: tuple[tuple[str, float, float], ...]
    load: FloatArray
    at_stop: FloatArray
    manner: str


@dataclass(frozen=True, eq=False)
class Driving:
    """Speed on the control grid: rpm shape (m,), crank turns shape (m,) at ``time_s`` shape (m,)."""

    mode: str
    time_s: FloatArray
    rpm: FloatArray
    turns: FloatArray
    steering: Steering
    idle_rpm: float
    wobble: float
    wobble_order: float
    wobble_phase: float

    def turns_on_samples(self, n: int, rate: int) -> FloatArray:
        """Crank turns at each sample, shape (n,), float64, with the engine's unevenness within a cycle."""
        turns = np.interp(np.arange(n) / rate, self.time_s, self.turns)
        if self.wobble:
            angle = (turns * self.wobble_order) % 1.0
            swing = self.wobble / (2 * np.pi * self.wobble_order)
            turns = turns + swing * np.sin(2 * np.pi * angle + self.wobble_phase)
        return turns

    def times_of_turns(self, turns: FloatArray) -> FloatArray:
        """Seconds at which the crank has made these turns."""
        return np.interp(turns, self.turns, self.time_s, left=-1.0, right=-1.0)


def draw_steering(rng: np.random.Generator, duration_s: float, settings: BaySettings) -> Steering:
    """Draw what is done with the wheel: nothing, lock to lock, sawing, holding a stop."""
    manner = pick(
        rng, {"lock_to_lock": 5, "sawing": 3, "centre": 2.0, "one_stop": 1.5, "small_turns": 1.0, "mixed": 2}
    )
    spans = _draw_spans(rng, duration_s, manner)
    if settings.phases is not None:
        spans, manner = list(settings.phases), "given"
    m = round(duration_s * CONTROL_HZ) + 1
    time = np.arange(m) / CONTROL_HZ
    target, stop = np.zeros(m), np.zeros(m, bool)
    turning_load = rng.uniform(0.15, 0.6)
    for name, start, end in spans:
        inside = (time >= start) & (time < end)
        if name == "turning":
            effort = turning_load * rng.uniform(0.6, 1.4)
            course = (time[inside] - start) / max(end - start, 1e-3)
            target[inside] = effort * (1 + rng.uniform(0, 0.8) * course ** rng.uniform(1, 4))
        elif name == "stop":
            target[inside] = rng.uniform(0.85, 1.0)
            stop[inside] = True
        else:
            target[inside] = rng.uniform(0, 0.04)
    target += walk(rng, m, 0.3, 0.04) * (target > 0.05)
    load = np.clip(exponential_lag(np.clip(target, 0, 1), rng.uniform(0.03, 0.12)), 0, 1)
    return Steering(tuple((a, float(b), float(c)) for a, b, c in spans), load, stop, manner)


def _draw_spans(rng: np.random.Generator, duration_s: float, manner: str) -> list[tuple[str, float, float]]:
    if manner == "centre":
        return [("centre", 0.0, duration_s)]
    spans: list[tuple[str, float, float]] = []
    now = 0.0

    def add(name: str, length: float) -> None:
        nonlocal now
        end = min(now + length, duration_s)
        if end > now:
            if spans and spans[-1][0] == name:
                spans[-1] = (name, spans[-1][1], end)
            else:
                spans.append((name, now, end))
        now = end

    if rng.random() < 0.75:
        add("centre", rng.uniform(0.3, 0.35 * duration_s))
    slow = rng.uniform(0.8, 3.5)
    while now < duration_s:
        way = manner
        if manner == "mixed":
            way = pick(rng, {"lock_to_lock": 2, "sawing": 2, "small_turns": 1})
        if way == "lock_to_lock":
            add("turning", slow * rng.uniform(0.7, 1.4))
            if rng.random() < 0.85:
                add("stop", uniform_log(rng, 0.4, 5.0))
            if rng.random() < 0.25:
                add("centre", rng.uniform(0.4, 3.0))
        elif way == "sawing":
            for _ in range(int(rng.integers(2, 7))):
                add("turning", rng.uniform(0.4, 1.4))
                if rng.random() < 0.25:
                    add("stop", rng.uniform(0.3, 1.2))
            if rng.random() < 0.4:
                add("centre", rng.uniform(0.3, 2.5))
        elif way == "one_stop":
            add("turning", slow * rng.uniform(0.7, 1.4))
            add("stop", uniform_log(rng, 0.6, 5.0))
            add("turning", rng.uniform(0.5, 2.0))
            add("centre", duration_s if rng.random() < 0.7 else rng.uniform(1, 5))
        else:
            add("turning", rng.uniform(0.3, 1.2))
            add("centre", rng.uniform(0.4, 3.5))
    return spans


def draw_driving(
    rng: np.random.Generator, duration_s: float, settings: BaySettings, *, cylinders: int, steering: Steering
) -> Driving:
    """Draw the engine speed: mode, hunting, walks at several time scales, the dip under steering load."""
    mode = pick(
        rng,
        {
            "idle": 14,
            "cold_idle": 2,
            "raised": 2.5,
            "blips": 2,
            "run_up": 1.5,
            "coast_down": 1,
            "idle_then_raised": 1,
        },
        settings.mode,
    )
    m = len(steering.load)
    time = np.arange(m) / CONTROL_HZ
    warm = rng.uniform(580, 1120)
    base = {"cold_idle": rng.uniform(1080, 1550), "raised": rng.uniform(1150, 2500)}.get(mode, warm)
    if settings.idle_rpm is not None:
        base = settings.idle_rpm
    rpm = np.full(m, base)
    rng_mode = rng.spawn(1)[0]
    if mode == "blips":
        rpm = _blips(rng_mode, time, base)
    elif mode in {"run_up", "coast_down", "idle_then_raised"}:
        rpm = _sweep(rng_mode, time, base, mode)
    elif mode == "cold_idle" and rng.random() < 0.5:
        rpm = base - (base - warm) * rng.uniform(0, 0.4) * time / duration_s
    depth = 0.0 if rng.random() < 0.2 else uniform_log(rng, 0.004, 0.09)
    # The governor works against the dip and overshoots when the load goes.
    load = steering.load
    washed = load - rng.uniform(0.2, 1.0) * exponential_lag(load, rng.uniform(0.3, 2.0))
    dip = -depth * exponential_lag(washed, rng.uniform(0.05, 0.25))
    jitter = walk(rng, m, rng.uniform(2, 8), uniform_log(rng, 0.001, 0.015))
    jitter += walk(rng, m, rng.uniform(0.3, 1.2), uniform_log(rng, 0.001, 0.01))
    jitter += walk(rng, m, rng.uniform(0.03, 0.12), uniform_log(rng, 0.0005, 0.006))
    if rng.random() < 0.35:
        speed = 2 * np.pi * rng.uniform(0.25, 1.6) * time + walk(rng, m, 2.0, 1.0)
        jitter += uniform_log(rng, 0.003, 0.04) * np.sin(speed + rng.uniform(0, 6.28))
    rpm = np.maximum(rpm * (1 + dip + jitter), 350.0)
    turns = np.concatenate([[0.0], np.cumsum((rpm[1:] + rpm[:-1]) / 2 / 60 / CONTROL_HZ)])
    uneven = 0.0 if rng.random() < 0.2 else uniform_log(rng, 0.001, 0.03) * min(1.0, 900 / base)
    return Driving(
        mode,
        time,
        rpm,
        turns + rng.uniform(0, 2),
        steering,
        base,
        uneven,
        cylinders / 2.0,
        rng.uniform(0, 6.28),
    )


def _blips(rng: np.random.Generator, time: FloatArray, base: float) -> FloatArray:
    """Throttle blips: quick rise, hold or none, slower fall with or without undershoot."""
    rpm = np.full(len(time), base)
    now = rng.uniform(0.3, 4.0)
    while now < time[-1] - 0.5:
        rise_rate, fall_rate = uniform_log(rng, 250, 1500), uniform_log(rng, 150, 1200)
        top = rng.uniform(300, 2200)
        hold = 0.0 if rng.random() < 0.5 else rng.uniform(0.2, 2.5)
        kind = rng.integers(3)
        rise = top / rise_rate
        after = time - now - rise - hold
        up = np.clip((time - now) / rise, 0, 1)
        if kind == 1:
            up = np.sin(up * np.pi / 2)
        down = np.clip(1 - after * fall_rate / top, 0, 1)
        if kind == 2:
            down = np.exp(-np.maximum(after, 0) * fall_rate / top)
        rpm = np.maximum(rpm, base + top * up * down)
        if rng.random() < 0.3:
            sag = time - now - rise - hold - top / fall_rate
            rpm -= base * rng.uniform(0.02, 0.12) * np.exp(-((sag / rng.uniform(0.2, 0.5)) ** 2))
        now += rise + hold + top / fall_rate + rng.uniform(0.3, 5.0)
    return exponential_lag(rpm, rng.uniform(0.03, 0.1))


def _sweep(rng: np.random.Generator, time: FloatArray, base: float, mode: str) -> FloatArray:
    """Slow run-up, coast-down, or a step from idle to a raised speed."""
    top = base + rng.uniform(400, 2000)
    length = float(time[-1])
    if mode == "idle_then_raised":
        start = rng.uniform(0.2, 0.6) * length
        shape = np.clip((time - start) / rng.uniform(0.4, 3.0), 0, 1)
        if rng.random() < 0.3:
            shape = np.minimum(shape, np.clip((length * rng.uniform(0.75, 0.95) - time) / 0.8, 0, 1))
    else:
        start, end = rng.uniform(0, 0.3) * length, rng.uniform(0.6, 1.0) * length
        shape = np.clip((time - start) / (end - start), 0, 1) ** rng.uniform(0.7, 1.6)
        if mode == "coast_down":
            shape = np.exp(-rng.uniform(1.0, 4.0) * shape) if rng.random() < 0.5 else 1 - shape
    return exponential_lag(base + (top - base) * shape, 0.1)
