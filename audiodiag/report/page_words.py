"""Times, levels, costs and percentages in the words of one language."""

from __future__ import annotations

import math

import numpy as np

from audiodiag.records import Analysis, CheckAdvice, SymptomFinding
from audiodiag.report import wording
from audiodiag.report.language import Sentences

__all__ = [
    "effort_said",
    "level_said",
    "names_said",
    "percent_said",
    "speed_said",
    "steering_said",
    "when_said",
]


def percent_said(probability: float) -> str:
    """Say a probability in whole per cent; the sign stands close, so that a line never breaks before it.

    >>> percent_said(0.93)
    '93\\xa0%'
    """
    return wording.percent(probability).replace(" ", "\u00a0")


def level_said(level_db: float | None, s: Sentences) -> str:
    """Say how loud a sound is beside the engine."""
    if level_db is None or not math.isfinite(level_db):
        return s.say("sure.level_unknown")
    whole = round(abs(level_db))
    if whole == 0:
        return s.say("sure.equal")
    return s.say("sure.below" if level_db < 0 else "sure.above", db=whole)


def when_said(found: SymptomFinding, analysis: Analysis, s: Sentences, *, most: int = 3) -> str:
    """Say when a sound is heard, and with what the wheel does at the time."""
    duration_s = analysis.clip.duration_s
    if duration_s > 0 and wording.covered_s(found.spans_s) >= wording.ALL_THROUGH_SHARE * duration_s:
        return s.say("sure.all_through")
    if not found.spans_s:
        return s.say("sure.no_time")
    times = ", ".join(_span(start, end, s) for start, end in found.spans_s[:most])
    left = len(found.spans_s) - most
    if left > 0:
        times = s.say("sure.more_times", times=times, count=left)
    english = wording.phase_words(found.spans_s, analysis.phases)
    phase = next((name for name, words in wording.PHASE_WORDS.items() if words == english), None)
    return s.say("sure.while", when=times, phase=s.say(f"steering.{phase}")) if phase else times


def effort_said(check: CheckAdvice, s: Sentences) -> tuple[str, str]:
    """Say how long a check takes and what it costs."""
    if check.minutes < 120:
        takes = s.say("checks.minutes", count=round(check.minutes))
    else:
        takes = s.say("checks.hours", count=round(check.minutes / 60))
    low, high = round(check.cost_low), round(check.cost_high)
    if check.cost_high <= 0:
        return takes, s.say("checks.free")
    if check.cost_low <= 0:
        return takes, s.say("checks.up_to", high=high, currency=check.currency)
    if low == high:
        return takes, s.say("checks.exactly", high=high, currency=check.currency)
    return takes, s.say("checks.between", low=low, high=high, currency=check.currency)


def names_said(names: list[str], s: Sentences) -> str:
    """Join names as a list is spoken.

    >>> from audiodiag.report.language import load_sentences
    >>> names_said(["a", "b", "c"], load_sentences("en"))
    'a, b and c'
    """
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + s.say("answer.and") + names[-1]


def speed_said(analysis: Analysis, s: Sentences) -> list[str]:
    """Say the engine speed, how sure it is, and other readings of the same sound."""
    speed = analysis.speed
    if not speed.known:
        return [s.say("sure.speed_unknown")]
    known = np.asarray(speed.rpm)[np.isfinite(speed.rpm)]
    source = s.say(f"sure.source_{speed.source}")
    text = s.say("sure.speed", source=source, rpm=round(speed.median_rpm))
    low, high = float(known.min()), float(known.max())
    if high - low > 0.02 * speed.median_rpm:
        text += " " + s.say("sure.speed_range", low=round(low), high=round(high))
    if speed.source == "acoustic":
        text += s.say("sure.speed_sure", percent=percent_said(speed.confidence))
    if speed.cylinders is not None:
        doubted = any(note.code == wording.CYLINDERS_DOUBTED for note in speed.notes)
        how = s.say("sure.cylinders_doubted" if doubted else f"sure.cylinders_{speed.cylinders_source}")
        text += s.say("sure.cylinders", count=speed.cylinders, source=how)
    said = [f"{text}."]
    for other in wording.other_speeds(speed, most=2):
        numbers = s.say("answer.or").join(map(str, other.cylinders))
        name = "sure.alternative_cylinders" if numbers else "sure.alternative"
        if numbers and other.same:
            name = "sure.alternative_same_speed"
        said.append(s.say(name, rpm=round(other.rpm), percent=percent_said(other.probability), count=numbers))
    return said


def steering_said(analysis: Analysis, s: Sentences) -> str:
    """Say what the wheel did, and how that is known."""
    phases = analysis.phases
    if phases.source == "unknown" or not phases.spans:
        return s.say("steering.unknown")
    told = []
    for phase in wording.PHASE_WORDS:
        seconds = wording.covered_s([(x.start_s, x.end_s) for x in phases.spans if x.phase == phase])
        if seconds > 0:
            name = s.say(f"steering.{phase}")
            told.append(s.say("steering.share", phase=name, seconds=s.number(seconds, 1)))
    return s.say(f"steering.{phases.source}", told=", ".join(told), percent=percent_said(phases.confidence))


def _span(start: float, end: float, s: Sentences) -> str:
    first, last = s.number(start, 1), s.number(end, 1)
    if first == last or end - start < 0.1:
        return s.say("sure.instant", start=first)
    return s.say("sure.span", start=first, end=last)
