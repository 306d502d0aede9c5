"""Over months: how has a symptom's level gone with date or mileage, and where did it step?

Each visit's level stands relative to the engine in that recording; it is drawn with an interval that a stated
repeatability gives. Steps are looked for one at a time: the split that lowers the scatter most is kept where
the two stretches differ by more than chance would allow over all splits that were tried.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS, Analysis, FloatArray
from audiodiag.statistics import student_quantile

__all__ = [
    "AXES",
    "ChangePoint",
    "SymptomTrend",
    "TrendPoint",
    "change_points",
    "place_words",
    "symptom_trends",
]

REPEAT_DB = 3.0
"""Standard deviation of a symptom's level re engine between two recordings of one unchanged car, phone and
place
left free (an assumption, checked on simulated pairs)."""
LEAST_LEVEL_DB = -40.0
FEWEST = 3
AXES = {"day": "day", "km": "mileage", "miles": "mileage"}
"""Units in which an axis may go, and what it is then called."""
FREEDOM = 12.0


@dataclass(frozen=True)
class TrendPoint:
    """One recording on the axis. level_db: re engine, None where the symptom is not heard or the recording's
    levels mean nothing. judged: whether the recording tells of sounds at all; unjudged ones count nowhere."""

    name: str
    at: float
    probability: float
    heard: bool
    level_db: float | None
    low_db: float | None
    high_db: float | None
    judged: bool = True


@dataclass(frozen=True)
class ChangePoint:
    """A step between two points of the axis, dB after less before, with its 95 % interval over all splits."""

    after: float
    before: float
    step_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True)
class SymptomTrend:
    """One symptom over the axis. slope_db: change for one unit of it with its interval, None below 3
    levels."""

    name: str
    points: tuple[TrendPoint, ...]
    change_points: tuple[ChangePoint, ...]
    slope_db: float | None
    slope_low_db: float | None
    slope_high_db: float | None
    text: str


def symptom_trends(
    analyses: Sequence[Analysis], at: Sequence[float], *, unit: str = "day", heard_from: float = 0.5
) -> tuple[SymptomTrend, ...]:
    """Follow every symptom that is heard at least once over the axis.

    Parameters
    ----------
    analyses:
        At least three recordings of one car.
    at:
        Where each stands: days, kilometres or miles, any order, no two alike needed.
    unit:
        Unit of the axis, one of ``AXES``, for the text.
    heard_from:
        Probability from which a symptom counts as heard.

    Raises
    ------
    UsageError
        For fewer than three recordings, or another number of places than recordings.
    """
    if len(analyses) < FEWEST or len(at) != len(analyses):
        raise UsageError(
            "a trend needs more recordings",
            got=f"{len(analyses)} recordings at {len(at)} places",
            allowed=f"at least {FEWEST} recordings, each with its date or mileage",
            todo="add recordings, or compare two of them with audiodiag compare",
        )
    order = np.argsort(np.asarray(at, dtype=float), kind="stable")
    found = []
    for name in SYMPTOMS:
        points = tuple(_point(analyses[i], name, float(at[i]), heard_from) for i in order)
        if any(point.heard for point in points):
            found.append(_trend(name, points, unit))
    return tuple(found)


def place_words(at: float, unit: str) -> str:
    """Name a place of the axis with its unit.

    >>> place_words(90.0, "day"), place_words(1234567.0, "km"), place_words(80000.5, "miles")
    ('day 90', '1234567 km', '80000.5 miles')
    """
    return f"day {at:g}" if unit == "day" else f"{at:.10g} {unit}"


def change_points(at: FloatArray, level_db: FloatArray, *, spread_db: float) -> tuple[ChangePoint, ...]:
    """Find steps in levels over an axis, shape (n,) both, whose single values scatter by ``spread_db``.

    >>> at = np.arange(8.0)
    >>> found = change_points(at, np.array([0.0, 0.5, -0.5, 0.0, -9.0, -9.5, -8.5, -9.0]), spread_db=1.0)
    >>> [(step.after, step.before, round(step.step_db)) for step in found]
    [(3.0, 4.0, -9)]
    """
    steps: list[ChangePoint] = []
    _split(np.asarray(at, float), np.asarray(level_db, float), spread_db, steps)
    return tuple(sorted(steps, key=lambda step: step.after))


def _split(at: FloatArray, level: FloatArray, spread_db: float, steps: list[ChangePoint]) -> None:
    """Keep the clearest split of a stretch and look on either side of it."""
    count = len(level)
    if count < 3:
        return
    t = student_quantile(1.0 - 0.025 / (count - 1), FREEDOM)
    clearness = []
    for i in range(1, count):
        difference = float(level[i:].mean() - level[:i].mean())
        error = spread_db * math.sqrt(1.0 / i + 1.0 / (count - i))
        clearness.append((abs(difference) / error, i, difference, t * error))
    best, i, step, half = max(clearness)
    if best <= t:
        return
    steps.append(ChangePoint(float(at[i - 1]), float(at[i]), step, step - half, step + half))
    _split(at[:i], level[:i], spread_db, steps)
    _split(at[i:], level[i:], spread_db, steps)


def _point(found: Analysis, name: str, at: float, heard_from: float) -> TrendPoint:
    symptom = found.symptom(name)
    level = symptom.level_db
    judged = found.verdict.kind in ("symptoms", "normal")
    heard = judged and symptom.probability >= heard_from
    if not heard or level is None or not math.isfinite(level):
        return TrendPoint(found.clip.name, at, symptom.probability, heard, None, None, None, judged)
    half = student_quantile(0.975, FREEDOM) * REPEAT_DB
    return TrendPoint(found.clip.name, at, symptom.probability, heard, level, level - half, level + half)


def _trend(name: str, points: tuple[TrendPoint, ...], unit: str) -> SymptomTrend:
    levelled = [point for point in points if point.level_db is not None]
    at = np.array([point.at for point in levelled])
    level = np.array([point.level_db for point in levelled], dtype=float)
    steps = change_points(at, level, spread_db=REPEAT_DB)
    slope = low = high = None
    spread = float(((at - at.mean()) ** 2).sum()) if len(at) else 0.0
    if len(levelled) >= FEWEST and spread > 0.0:
        slope = float((at - at.mean()) @ level) / spread
        half = student_quantile(0.975, FREEDOM) * REPEAT_DB / math.sqrt(spread)
        low, high = slope - half, slope + half
    return SymptomTrend(name, points, steps, slope, low, high, _words(points, steps, low, high, unit))


def _words(
    points: tuple[TrendPoint, ...],
    steps: tuple[ChangePoint, ...],
    low: float | None,
    high: float | None,
    unit: str,
) -> str:
    """Say the course in one sentence."""
    judged = [point for point in points if point.judged]
    heard = [point for point in judged if point.heard]
    count = f"heard in {len(heard)} of {len(judged)} recordings"
    if len(judged) < len(points):
        count += f" that could be judged (of {len(points)})"
    if unlevelled := sum(point.level_db is None for point in heard):
        count += f", in {unlevelled} of them at a level that cannot be told"
    if not judged[-1].heard and len(heard) >= 2:
        return f"{count}, and no longer in the last{'' if points[-1].judged else ' of these'}"
    if steps:
        last = steps[-1]
        way = "louder" if last.step_db > 0 else "quieter"
        return f"{count}; {abs(last.step_db):.0f} dB {way} from {place_words(last.before, unit)} on"
    if low is None or high is None:
        return f"{count}; too few to tell a course"
    if low > 0.0:
        return f"{count}; growing"
    if high < 0.0:
        return f"{count}; fading"
    return f"{count}; no course that stands out of the scatter from recording to recording"
