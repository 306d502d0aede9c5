"""How the engine of the bay made afresh runs, and what the hands do: a driven mass with a late governor.

Figures of inertia, drag and governor are assumptions without a published source, set so that idle, blips and
dips under load look as common practice knows them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from audiodiag.records import FloatArray

from .tools import even, log_even, spread

__all__ = ["HANDS", "MODES", "Hands", "Run", "move_hands", "run_engine"]

MODES: dict[str, float] = {
    "idle": 0.42,
    "cold_idle": 0.08,
    "raised": 0.12,
    "blips": 0.14,
    "run_up": 0.07,
    "run_down": 0.07,
    "steps": 0.10,
}
"""What the speed does, with its weight."""
HANDS: dict[str, float] = {
    "none": 0.24,
    "both_stops": 0.26,
    "one_stop": 0.2,
    "about_centre": 0.14,
    "in_steps": 0.16,
}
"""What the hands do, with its weight; the second and the third reach a stop."""

Hands = tuple[tuple[str, float, float], ...]
"""Spans of (phase, start, end) in seconds from 0 to the end of the clip."""


@dataclass(frozen=True, eq=False)
class Run:
    """Speed and load at every sample, shape (n,) each.

    ``rpm``, ``turns`` (crank turns since the start, float64), ``pressure`` (0 at rest to 1 at a stop),
    ``flow`` (how fast the wheel is turned, 0 to 1), ``pull`` (rpm a second).
    """

    rate: int
    n: int
    idle_rpm: float
    rpm: FloatArray
    turns: FloatArray
    pressure: FloatArray
    flow: FloatArray
    pull: FloatArray
    hands: Hands

    @property
    def seconds(self) -> float:
        """Length of the clip."""
        return self.n / self.rate

    def samples_at(self, turns: FloatArray) -> FloatArray:
        """Sample, with fraction, at which the crank has made so many turns; -1 outside the clip."""
        return np.interp(turns, self.turns, np.arange(self.n, dtype=np.float64), left=-1.0, right=-1.0)

    def stronger(self, power: float) -> FloatArray:
        """Amplitude that grows with a power of speed, 1 at idle, shape (n,)."""
        return np.asarray((self.rpm / np.float32(self.idle_rpm)) ** np.float32(power), np.float32)

    def held(self, least_s: float = 0.35) -> list[tuple[float, float]]:
        """Spans in which the wheel is held at a stop."""
        return [(a, b) for phase, a, b in self.hands if phase == "stop" and b - a >= least_s]


def move_hands(rng: np.random.Generator, style: str, seconds: float) -> Hands:
    """Let the hands move in one of the styles of ``HANDS``."""
    if style == "none":
        return (("centre", 0.0, seconds),)
    plan: list[tuple[str, float]] = [("centre", log_even(rng, 0.3, 0.3 * seconds))]
    slow = log_even(rng, 0.6, 1.8)
    total = plan[0][1]
    while total < seconds:
        if style == "both_stops":
            more = [("turning", slow * even(rng, 1.2, 2.2)), ("stop", log_even(rng, 0.45, 3.0))]
        elif style == "one_stop":
            more = [("turning", slow * even(rng, 0.7, 1.4)), ("stop", log_even(rng, 0.6, 4.0))]
            more += [("turning", slow * even(rng, 0.6, 1.4)), ("centre", log_even(rng, 0.8, 6.0))]
        elif style == "about_centre":
            more = [("turning", slow * even(rng, 0.3, 0.8)), ("centre", log_even(rng, 0.05, 1.5))]
        else:
            more = [("turning", slow * even(rng, 0.2, 0.7)), ("centre", log_even(rng, 0.3, 2.5))]
        plan += more
        total += sum(length for _, length in more)
    spans: list[tuple[str, float, float]] = []
    at = 0.0
    for phase, length in plan:
        end = round(min(at + length, seconds), 3)
        if end - at >= 0.05:
            spans.append((phase, at, end))
            at = end
    phase, start, _ = spans[-1]
    spans[-1] = (phase, start, seconds)
    return tuple(spans)


def _wheel(
    rng: np.random.Generator, hands: Hands, t: FloatArray, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Pressure and flow over a grid of times: a jerk-free swing each, its pressure wound up by the tyres."""
    flow, pressure = np.zeros(len(t)), np.full(len(t), even(rng, 0.02, 0.1))
    scrub = even(rng, 0.2, 0.55)
    for phase, start, end in hands:
        here = (t >= start) & (t < end)
        x = (t[here] - start) / (end - start)
        if phase == "turning":
            flow[here] = 16 * (x * (1 - x)) ** 2 * even(rng, 0.6, 1.0)
            wound = 1 - np.exp(-(t[here] - start) / 0.15)
            pressure[here] = scrub * even(rng, 0.7, 1.3) * wound * (0.7 + 0.3 * flow[here])
            pressure[here] *= 1 + even(rng, 0, 0.25) * np.sin(2 * np.pi * even(rng, 3, 9) * t[here])
        elif phase == "stop":
            pressure[here] = even(rng, 0.88, 1.0)
    keep = np.exp(-step_s / even(rng, 0.03, 0.09))
    late = signal.lfilter([1 - keep], [1, -keep], pressure, zi=[keep * pressure[0]])[0]
    return np.clip(late, 0, 1), flow


def _pedal(rng: np.random.Generator, mode: str, t: FloatArray) -> FloatArray:
    """Speed in rpm to which the pedal would bring the engine in the end; 0 where it is left alone."""
    end, pedal = float(t[-1]), np.zeros(len(t))
    high = log_even(rng, 1200, 3000)
    if mode == "raised":
        pedal[:] = high
    elif mode == "blips":
        at = even(rng, 0.4, 2.0)
        while at < end - 0.8:
            pedal[(t >= at) & (t < at + log_even(rng, 0.25, 1.0))] = log_even(rng, 2300, 6500)
            at += even(rng, 1.6, 5.0)
    elif mode in {"run_up", "run_down"}:
        start, length = even(rng, 0.05, 0.35) * end, even(rng, 0.25, 0.6) * end
        share = np.clip((t - start) / length, 0, 1) ** even(rng, 0.7, 1.6)
        pedal = high * (share if mode == "run_up" else 1 - share)
    elif mode == "steps":
        at = even(rng, 0.1, 0.5) * end
        while at < end:
            pedal[t >= at] = log_even(rng, 1100, 2800) if rng.random() < 0.7 else 0.0
            at += even(rng, 2.0, 6.0)
    return pedal


def run_engine(rng: np.random.Generator, mode: str, idle_rpm: float, hands: Hands, n: int, rate: int) -> Run:
    """Run the engine: pedal against drag, a governor that acts late, and the pump that pulls it down."""
    step = rate // 200
    step_s = step / rate
    count = n // step + 3
    t = np.arange(count) * step_s
    pressure, flow = _wheel(rng, hands, t, step_s)
    pedal = _pedal(rng, mode, t)
    drag_s, late = even(rng, 0.7, 1.6), int(even(rng, 0.06, 0.3) / step_s)
    firm = even(rng, 0.2, 1.0) / (late * step_s)
    slow = firm * even(rng, 0.2, 0.9)
    weight = log_even(rng, 40, 420)
    rough = rng.standard_normal(count) * log_even(rng, 60, 500)
    asked = np.full(count, idle_rpm)
    if mode == "cold_idle":
        asked = idle_rpm * (1 + even(rng, 0.25, 0.6) * np.exp(-t / even(rng, 10, 60)))
    state = max(float(asked[0]), float(pedal[0]) * even(rng, 0.96, 1.0))
    wound = float(asked[0]) / drag_s + weight * float(pressure[0]) if state < 1.1 * asked[0] else 0.0
    speed, push, limit = np.empty(count), 0.0, even(rng, 3600, 4600)
    for k in range(count):
        speed[k] = state
        seen = speed[max(0, k - late)]
        alone = pedal[k] < asked[k] or seen > limit
        push += ((0.0 if alone else pedal[k] / drag_s) - push) * min(1.0, step_s / 0.07)
        gap = asked[k] - seen
        if gap > -0.12 * asked[k]:
            wound = min(max(wound + slow * gap * step_s * (1.0 if abs(gap) < 150 else 0.2), 0.0), 3500.0)
        else:
            wound += (asked[k] / drag_s - wound) * step_s * 2  # the governor lets go and forgets
        held = max(0.0, wound + firm * gap) if pedal[k] < asked[k] else 0.0
        pull = push + min(held, 4500.0) - state / drag_s - weight * pressure[k] + rough[k]
        state = min(max(state + pull * step_s, 420.0), 5200.0)
    rpm = spread(speed, step, n).astype(np.float64)
    turns = np.cumsum(rpm) / (60.0 * rate)
    return Run(
        rate=rate,
        n=n,
        idle_rpm=idle_rpm,
        rpm=rpm.astype(np.float32),
        turns=turns,
        pressure=spread(pressure, step, n),
        flow=spread(flow, step, n),
        pull=spread(np.gradient(speed, step_s), step, n),
        hands=hands,
    )
