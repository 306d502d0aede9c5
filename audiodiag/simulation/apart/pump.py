"""The steering pump of the bay built apart: whine of passing vanes and groan of collapsing bubbles."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from audiodiag.records import FloatArray

from .course import Course
from .sound import (
    between,
    drift,
    filtered,
    pick,
    rings,
    shaped_noise,
    soft_gate,
    spans_above,
    strikes,
    tone,
    unit,
)

__all__ = [
    "GROANS",
    "WHINES",
    "Drive",
    "Part",
    "make_drive",
    "make_groan",
    "make_whine",
    "slipping",
]

WHINES: dict[str, float] = {"harmonics": 0.45, "ripple": 0.35, "moan": 0.2}
"""How the whine is made: a sum of vane orders with sidebands, filtered pulses, a rough low moan."""
GROANS: dict[str, float] = {"bubbles": 0.4, "swelling_noise": 0.35, "grumble": 0.25}
"""How the groan is made: random bursts, beating noise, unsteady low pump orders under noise."""


@dataclass(frozen=True, eq=False)
class Drive:
    """The pump as it turns: pump turns for one crank turn without slip, vanes, belt passes a crank turn.

    ``turns`` (pump turns since the start, with slip) has shape (n,).
    """

    ratio: float
    vanes: int
    belt_order: float
    turns: FloatArray

    @property
    def ripple(self) -> int:
        """Ripples of pressure a pump turn: vanes, or twice the vanes where their number is odd."""
        return self.vanes if self.vanes % 2 == 0 else 2 * self.vanes


@dataclass(frozen=True, eq=False)
class Part:
    """Sound of one symptom, shape (n,), when it is heard, and what of it is worth telling."""

    sound: FloatArray
    spans_s: list[tuple[float, float]]
    told: dict[str, Any] = field(default_factory=dict)


def _by_load(rng: np.random.Generator, course: Course, rest: tuple[float, float]) -> FloatArray:
    """Amplitude that grows with load from some share at rest to 1 at a stop."""
    share = np.float32(between(rng, *rest))
    return share + (1 - share) * course.load ** np.float32(between(rng, 0.6, 1.4))


def make_whine(rng: np.random.Generator, course: Course, drive: Drive, variant: str) -> Part:
    """Pressure ripple at vanes a pump turn and multiples, sidebands a pump turn apart; grows with load."""
    n, rate = course.n, course.rate
    law = _by_load(rng, course, (0.1, 0.6))
    swell = law * course.loudness(between(rng, 0.2, 0.8)) * (1 + 0.12 * drift(rng, n, rate, 0.6))
    sound = np.zeros(n, np.float32)
    once = tone(drive.turns + rng.random())
    if variant == "harmonics":
        depth, lean = between(rng, 0.05, 0.5), between(rng, 0.0, 0.06)
        fall = between(rng, 0.5, 1.6)
        teeth = [drive.ripple * k for k in range(1, 6)]
        if drive.vanes % 2:
            teeth.append(drive.vanes)
        for order in teeth:
            height = (order / drive.ripple) ** -fall * 10 ** (rng.normal(0, 4) / 20)
            height *= 0.15 if order < drive.ripple else 1.0
            turned = drive.turns * order + lean * once + rng.random()
            sound += np.float32(height) * tone(turned) * (1 + np.float32(depth) * once)
    elif variant == "ripple":
        unequal = rng.normal(1.0, between(rng, 0.05, 0.25), drive.ripple).astype(np.float32)
        count = drive.turns * drive.ripple
        vane = np.floor(count).astype(np.int64) % drive.ripple
        within = (count - np.floor(count)).astype(np.float32)
        pulse = unequal[vane] * np.exp(-within / np.float32(between(rng, 0.15, 0.4)))
        modes = [
            (between(rng, low, high), between(rng, 1, 3), between(rng, 0.4, 1))
            for low, high in ((150, 500), (400, 1200), (900, 3000))
        ]
        sound = rings(pulse - pulse.mean(), rate, modes, direct=between(rng, 0.1, 0.4))
    else:
        unsteady = between(rng, 0.02, 0.08) * drift(rng, n, rate, 0.08)
        for k, height in enumerate((1.0, between(rng, 0.2, 0.8), between(rng, 0.05, 0.4)), start=1):
            sound += np.float32(height) * tone(drive.turns * drive.ripple * k + unsteady * k + rng.random())
        sound *= 1 + np.float32(between(rng, 0.1, 0.4)) * tone(2 * drive.turns + rng.random())
        sound = rings(sound, rate, [(between(rng, 180, 600), between(rng, 1, 2.5), 1.5)], direct=0.6)
    path = [
        (60, -6.0),
        *((hz * between(rng, 0.8, 1.25), rng.normal(0, 3)) for hz in (150, 300, 600, 1200, 2400)),
    ]
    sound = filtered(sound * swell, rate, [*path, (5000, -8.0), (2e4, -40.0)])
    return Part(sound, spans_above(law, rate))


def make_groan(rng: np.random.Generator, course: Course, drive: Drive, variant: str) -> Part:
    """Rough noise of about 100 Hz to 4 kHz whose strength beats with the pump; grows with load and speed."""
    n, rate = course.n, course.rate
    law = _by_load(rng, course, (0.02, 0.5)) ** np.float32(between(rng, 1.0, 1.5))
    if rng.random() < 0.3:
        spells = drift(rng, n, rate, between(rng, 0.8, 2.0))
        law = law * np.clip(0.6 + 0.5 * spells, 0.03, 1)
    turns = drive.turns
    beat = 1 + sum(
        np.float32(between(rng, *depth)) * tone(turns * order + rng.random())
        for order, depth in ((1, (0.1, 0.5)), (2, (0.2, 0.7)), (drive.vanes, (0.05, 0.4)))
    )
    beat = np.clip(beat, 0.05, None) ** np.float32(between(rng, 0.8, 1.5))
    top = between(rng, 1500, 4200)
    low = between(rng, 90, 260)
    body = [(low / 2, -25.0), (low, 0.0), (top, between(rng, -14, -4)), (top * 2, -28.0), (2e4, -55.0)]
    body += [(np.sqrt(low * top) * between(rng, 0.7, 1.4), between(rng, 0, 7))]
    drive_law = law * course.loudness(between(rng, 0.4, 1.2))
    if variant == "bubbles":
        often = between(rng, 400, 2500)
        chance = np.cumsum(drive_law * beat, dtype=np.float64)
        number = int(rng.poisson(often * course.seconds * min(1.0, float(np.mean(drive_law)) + 0.2)))
        when = np.interp(rng.random(number) * chance[-1], chance, np.arange(n))
        heights = rng.lognormal(0.0, between(rng, 0.5, 0.9), number) * rng.choice([-1.0, 1.0], number)
        deep = filtered(strikes(n, when, heights), rate, body)
        high = rng.random(number) < 0.1
        modes = [(between(rng, 1800, 9000), between(rng, 2, 6), 1.0) for _ in range(3)]
        crack = rings(strikes(n, when[high], heights[high]), rate, modes)
        sound = unit(deep) + np.float32(between(rng, 0.1, 0.4)) * unit(crack)
        sound *= np.sqrt(drive_law)
    else:
        patchy = np.exp(np.float32(between(rng, 0.3, 0.7)) * drift(rng, n, rate, between(rng, 0.03, 0.12)))
        noise = shaped_noise(rng, n, rate, body)
        if variant == "grumble":
            tones = np.zeros(n, np.float32)
            for order in (1, 2, 3, 4, 6, drive.ripple):
                shaken = 0.12 * drift(rng, n, rate, 0.04)
                height = np.float32(between(rng, 0.2, 1.0) / order**0.3)
                tones += height * tone(turns * order + shaken) * (1 + 0.5 * drift(rng, n, rate, 0.06))
            lifted = rings(tones, rate, [(between(rng, 200, 700), 2.0, 1.5)], direct=0.4)
            noise = noise + np.float32(between(rng, 0.4, 1.1)) * unit(lifted)
        sound = noise * beat * patchy * drive_law
    return Part(sound, spans_above(law, rate))


def slipping(spans: list[tuple[float, float]], course: Course, share: float) -> FloatArray:
    """Share by which the pump lags, shape (n,), while the belt slips."""
    return np.float32(share) * soft_gate(spans, course.n, course.rate, 0.05, 0.1)


def make_drive(
    rng: np.random.Generator,
    course: Course,
    *,
    ratio: float | None,
    vanes: int | None,
    belt_order: float | None,
    slip: FloatArray,
) -> Drive:
    """Draw what is left open of the pump's drive and turn it, with the belt's slip."""
    if ratio is None:
        ratio = round(between(rng, 0.95, 1.5), 3)
    if vanes is None:
        vanes = int(pick(rng, {"10": 0.6, "8": 0.12, "9": 0.08, "11": 0.08, "12": 0.12}))
    if belt_order is None:
        belt_order = round(between(rng, 0.26, 0.55), 4)
    speed = course.rpm.astype(np.float64) / (60.0 * course.rate) * ratio * (1 - slip)
    return Drive(ratio, vanes, belt_order, np.cumsum(speed))
