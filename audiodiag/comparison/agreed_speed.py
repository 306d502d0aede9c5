"""Which reading of the engine's speed fits all recordings of one car together?

One recording alone is sometimes read at twice or three times its speed. Both sides are recorded at the same
idle, as the program asks; so the readings that agree are taken together, weighed by the probability of each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from audiodiag.records import Analysis, Note, SpeedTrace, read_only

__all__ = ["agreed_speeds", "without_misread"]

NEAR = 0.16
"""Distance of two speeds as a logarithm up to which they are held for the same idle."""
APART, IDLE = 1.0 / 20.0, 3.0
"""How much less likely it is that two sides were recorded at other speeds, and how much likelier a speed of a
warm idle is (assumptions)."""
IDLE_RPM = (550.0, 1100.0)
"""Common practice, no published source."""
FITS, FEWEST_LEFT, MOST_AGREE = 0.13, 2, 0.75
"""Distance of a recording's speed from the middle of all, as a logarithm, up to which it fits them; how many
recordings of a side must be left when one is left out for its speed, and the share of all recordings that
must agree on another (assumptions)."""


@dataclass(frozen=True)
class _Reading:
    factor: float
    rpm: float
    score: float


def agreed_speeds(
    before: Sequence[Analysis], after: Sequence[Analysis]
) -> tuple[tuple[Analysis, ...], tuple[Analysis, ...], tuple[Note, ...]]:
    """Give both sides with the readings of the speed that agree best, and say whose reading has changed.

    Nothing changes where all recordings agree already, or where a speed was stated.
    """
    everything = (*before, *after)
    heard = [found for found in everything if found.speed.known]
    speeds = [math.log(found.speed.median_rpm) for found in heard]
    if not speeds or max(speeds) - min(speeds) < NEAR:
        return tuple(before), tuple(after), ()
    readings = [_readings(found.speed) for found in heard]
    middles = sorted({reading.rpm for one in readings for reading in one})
    best: dict[int, _Reading] = {}
    top = -math.inf
    for middle in middles:
        chosen = [_best(one, middle) for one in readings]
        total = sum(_fit(reading, middle) for reading in chosen)
        if total > top + 1e-9:
            top, best = total, {id(found): r for found, r in zip(heard, chosen, strict=True)}
    notes = [_told(found, best[id(found)]) for found in heard if abs(math.log(best[id(found)].factor)) > 0.02]
    sides = [tuple(_read_as(found, best.get(id(found))) for found in side) for side in (before, after)]
    return sides[0], sides[1], tuple(notes)


def without_misread(
    before: Sequence[Analysis], after: Sequence[Analysis]
) -> tuple[tuple[Analysis, ...], tuple[Analysis, ...], tuple[Note, ...]]:
    """Leave out recordings whose speed by ear fits none of the others, where nearly all of them agree.

    Such a speed is misread, or the engine really ran at another; nothing of that recording can be compared
    by orders. To be used after :func:`agreed_speeds`. Gives both sides and a note for each that was left out.
    """
    heard = [found for found in (*before, *after) if found.speed.known]
    if not heard:
        return tuple(before), tuple(after), ()
    middle = median(math.log(found.speed.median_rpm) for found in heard)

    def fits(found: Analysis) -> bool:
        by_ear = found.speed.known and found.speed.source == "acoustic"
        return not by_ear or abs(math.log(found.speed.median_rpm) - middle) < FITS

    if sum(fits(found) for found in heard) < MOST_AGREE * len(heard):
        return tuple(before), tuple(after), ()
    sides, notes = [], []
    for side in (before, after):
        good = tuple(found for found in side if fits(found))
        good = good if len(good) >= FEWEST_LEFT else tuple(side)
        sides.append(good)
        notes += [
            Note(
                "left_out",
                f"{found.clip.name} sounds like {found.speed.median_rpm:.0f} rpm, most of the others near "
                f"{math.exp(middle):.0f}; it is left out. If it really ran at that speed, record it again at "
                "the speed of the others.",
            )
            for found in side
            if found not in good
        ]
    return sides[0], sides[1], tuple(notes)


def _readings(speed: SpeedTrace) -> list[_Reading]:
    median = speed.median_rpm
    if speed.source != "acoustic":
        return [_Reading(1.0, median, 0.0)]
    found = [(1.0, speed.confidence), *((other.factor, other.probability) for other in speed.alternatives)]
    return [
        _Reading(factor, median * factor, math.log(max(chance, 1e-4)) + _idle(median * factor))
        for factor, chance in found
        if abs(math.log(factor)) > 0.02 or factor == 1.0
    ]


def _idle(rpm: float) -> float:
    return math.log(IDLE) if IDLE_RPM[0] <= rpm <= IDLE_RPM[1] else 0.0


def _best(readings: list[_Reading], middle_rpm: float) -> _Reading:
    fits = [_fit(reading, middle_rpm) for reading in readings]
    return readings[fits.index(max(fits))]


def _fit(reading: _Reading, middle_rpm: float) -> float:
    near = abs(math.log(reading.rpm / middle_rpm)) < NEAR
    return reading.score + (0.0 if near else math.log(APART))


def _read_as(found: Analysis, reading: _Reading | None) -> Analysis:
    if reading is None or abs(math.log(reading.factor)) <= 0.02:
        return found
    speed = found.speed
    rpm, low, high = (
        read_only(values * reading.factor) for values in (speed.rpm, speed.rpm_low, speed.rpm_high)
    )
    return replace(found, speed=replace(speed, rpm=rpm, rpm_low=low, rpm_high=high))


def _told(found: Analysis, reading: _Reading) -> Note:
    return Note(
        "speed_by_the_others",
        f"By itself {found.clip.name} sounds like {found.speed.median_rpm:.0f} rpm; {reading.rpm:.0f} rpm "
        "fits the other recordings and is taken. If it really ran faster or slower, state the speed with "
        "--before-rpm and --after-rpm.",
        severity="info",
    )
