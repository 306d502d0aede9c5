"""The words in which every report speaks: names of sounds, how sure, how loud, when, how long, how dear.

Text, picture and (later) page say the same thing in the same words because they take them from here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from audiodiag.causes import load_knowledge
from audiodiag.records import (
    Analysis,
    CauseFinding,
    CheckAdvice,
    Clip,
    Note,
    Phases,
    SpeedAlternative,
    SpeedTrace,
    SymptomFinding,
)
from audiodiag.speed.readings import SAME, other_readings
from audiodiag.units import percent

__all__ = [
    "CYLINDERS_DOUBTED",
    "HEARD_FROM",
    "LEAST_SHARE",
    "MAYBE_FROM",
    "NO_SUPPORT",
    "PHASE_WORDS",
    "READINGS_WEIGHED",
    "SYMPTOM_WORDS",
    "VERDICT_WORDS",
    "OtherSpeed",
    "causes_worth_a_line",
    "cost_words",
    "covered_s",
    "effort_words",
    "is_simulated",
    "level_words",
    "notes_once",
    "other_speeds",
    "percent",
    "phase_words",
    "recording_notes",
    "span_words",
    "speed_source_words",
    "telling_reasons",
    "when_words",
]

CYLINDERS_DOUBTED = "cylinders_ambiguous"
"""Code of the note that the number of cylinders is not certain; reports say it with the speed."""
READINGS_WEIGHED = "readings_weighed"
"""Code of the note that names the speeds at which the symptoms were measured as well."""
LEAST_READING = 0.05
"""Probability below which another reading of the speed is not said."""
HEARD_FROM = 0.5
"""Probability from which a sound is called heard."""
MAYBE_FROM = 0.25
"""Probability from which a sound is called perhaps heard."""
LEAST_SHARE = 0.02
"""Probability below which a cause is not listed."""
LEAST_SHARE_WHEN_NORMAL = 0.1
"""The same where nothing wrong is heard."""
NO_SUPPORT = ("Against it", "Nothing heard or seen", "No symptom is probable")
"""How the first reason of a cause begins where nothing speaks for it."""
ALL_THROUGH_SHARE = 0.85
"""Share of the clip from which a sound is said to go on all through."""
PHASE_SHARE = 0.75
"""Share of a sound's time from which it is tied to one steering phase."""

SYMPTOM_WORDS = {
    "pump_whine": "pump whine",
    "cavitation_groan": "cavitation groan",
    "belt_squeal": "belt squeal",
    "belt_chirp": "belt chirp",
    "relief_hiss": "relief valve hiss",
    "bearing_growl": "bearing growl",
}
VERDICT_WORDS = {
    "symptoms": "SOMETHING IS HEARD",
    "normal": "NOTHING WRONG IS HEARD",
    "cannot_tell": "CANNOT TELL",
    "not_an_engine_bay": "NOT AN ENGINE BAY",
}
PHASE_WORDS = {"centre": "wheel at rest", "turning": "wheel turning", "stop": "wheel at a stop"}
_SPEED_SOURCES = {
    "acoustic": "by ear",
    "entered": "as stated",
    "table": "from the speed table",
    "tach": "from the pulse channel",
    "none": "unknown",
}
_FOR, _AGAINST = "This speaks for it", "against it"
_SEVERITY = {"refusal": 0, "warning": 1, "info": 2}


def telling_reasons(texts: Sequence[str], probability: float) -> tuple[tuple[str, ...], bool]:
    """Choose what is shown of the evidence for a sound, and say whether it alone does not carry the answer.

    Up to three texts that speak for it, or tell nothing either way, and one against it; where all speak for a
    sound that does not count as heard, smaller reasons and how rare it is weigh more, which must be said.

    >>> telling_reasons(["It is loud. This speaks for it.", "It is soft. This speaks against it."], 0.3)
    (('It is loud. This speaks for it.', 'It is soft. This speaks against it.'), False)
    >>> telling_reasons(["It is loud. This speaks for it."], 0.3)
    (('It is loud. This speaks for it.',), True)
    """
    rest = sorted((text for text in texts if _AGAINST not in text), key=lambda text: _FOR not in text)
    shown = (*rest[:3], *[text for text in texts if _AGAINST in text][:1])
    return shown, bool(shown) and all(_FOR in text for text in shown) and probability < HEARD_FROM


def level_words(level_db: float | None) -> str:
    """Say how loud a sound is beside the engine.

    >>> level_words(-8.2), level_words(0.3), level_words(3.0), level_words(None)
    ('8 dB below the engine', 'as loud as the engine', '3 dB above the engine', 'level unknown')
    """
    if level_db is None or not math.isfinite(level_db):
        return "level unknown"
    whole = round(abs(level_db))
    if whole == 0:
        return "as loud as the engine"
    return f"{whole} dB {'below' if level_db < 0 else 'above'} the engine"


def span_words(spans_s: Iterable[tuple[float, float]], *, most: int = 3) -> str:
    """Say spans of time in seconds, the first few by name and the rest by number.

    >>> span_words([(1.0, 2.26), (4.0, 4.05), (5.0, 6.0)], most=2)
    '1.0 to 2.3, 4.0 s and 1 more time'
    """
    spans = list(spans_s)
    if not spans:
        return "at no certain time"
    named = [
        f"{low:.1f} to {high:.1f}" if f"{low:.1f}" != f"{high:.1f}" and high - low >= 0.1 else f"{low:.1f}"
        for low, high in spans[:most]
    ]
    left = len(spans) - len(named)
    more = f" and {left} more time{'s' if left > 1 else ''}" if left else ""
    return ", ".join(named) + " s" + more


def covered_s(spans_s: Iterable[tuple[float, float]]) -> float:
    """Give how many seconds the spans cover together, each instant counted once.

    >>> covered_s([(0.0, 2.0), (1.0, 3.0), (5.0, 6.0)])
    4.0
    """
    total, reached = 0.0, -math.inf
    for low, high in sorted(spans_s):
        total += max(0.0, high - max(low, reached))
        reached = max(reached, high)
    return total


def phase_words(spans_s: Iterable[tuple[float, float]], phases: Phases) -> str:
    """Name the steering phase in which a sound is heard, or nothing where it keeps to none.

    Phases that lie all through the clip tie nothing, so a phase is named only if others are known too.
    """
    spans = list(spans_s)
    sounding = covered_s(spans)
    if sounding <= 0 or len({span.phase for span in phases.spans}) < 2:
        return ""
    for phase, words in PHASE_WORDS.items():
        inside = [
            (max(low, span.start_s), min(high, span.end_s))
            for span in phases.spans
            if span.phase == phase
            for low, high in spans
            if min(high, span.end_s) > max(low, span.start_s)
        ]
        if covered_s(inside) >= PHASE_SHARE * sounding:
            return words
    return ""


def when_words(found: SymptomFinding, analysis: Analysis, *, most: int = 3) -> str:
    """Say when a sound is heard, and with what the steering wheel does at the time."""
    duration_s = analysis.clip.duration_s
    if duration_s > 0 and covered_s(found.spans_s) >= ALL_THROUGH_SHARE * duration_s:
        return "all through"
    when = span_words(found.spans_s, most=most)
    phase = phase_words(found.spans_s, analysis.phases)
    return f"{when}, {phase}" if phase else when


def speed_source_words(speed: SpeedTrace) -> str:
    """Say where the engine speed comes from."""
    return _SPEED_SOURCES[speed.source]


@dataclass(frozen=True)
class OtherSpeed:
    """Another reading of the same sound, with all numbers of cylinders that it may have at this speed.

    rpm: median, rpm. probability: of all of them together. cylinders: those said, none where unknown.
    same: it is the speed itself, with another number of cylinders.
    """

    rpm: float
    probability: float
    cylinders: tuple[int, ...]
    same: bool


def other_speeds(speed: SpeedTrace, *, most: int) -> list[OtherSpeed]:
    """Give the likeliest other readings of a speed, and all at which symptoms were measured, likeliest first.

    Readings of one speed are taken together, as they are where the symptoms are measured.
    """
    together: list[list[SpeedAlternative]] = []
    for other in sorted(speed.alternatives, key=lambda each: -each.probability):
        alike = (group for group in together if abs(other.factor / group[0].factor - 1.0) < SAME)
        if (group := next(alike, None)) is not None:
            group.append(other)
        else:
            together.append([other])
    together.sort(key=lambda group: -sum(each.probability for each in group))
    noted = any(note.code == READINGS_WEIGHED for note in speed.notes)
    weighed = [other.median_rpm for other in other_readings(speed)] if noted else []
    said: list[OtherSpeed] = []
    for place, group in enumerate(together):
        rpm = speed.median_rpm * group[0].factor
        share = sum(each.probability for each in group)
        if (place < most and share >= LEAST_READING) or any(abs(rpm / one - 1.0) < SAME for one in weighed):
            likely = [each.cylinders for each in group if each.probability >= LEAST_READING] or [
                group[0].cylinders
            ]
            numbers = tuple(sorted({number for number in likely if number}))
            said.append(OtherSpeed(rpm, share, numbers, abs(group[0].factor - 1.0) < SAME))
    return said


def cost_words(check: CheckAdvice) -> str:
    """Say what a check costs.

    >>> cost_words(CheckAdvice("look", "Look", 5, 0, 0, "EUR", 0.3, ()))
    'free'
    >>> cost_words(CheckAdvice("flush", "Flush", 60, 15, 40, "EUR", 0.3, ()))
    '15 to 40 EUR'
    """
    if check.cost_high <= 0:
        return "free"
    if check.cost_low <= 0:
        return f"up to {check.cost_high:.0f} {check.currency}"
    if check.cost_low == check.cost_high:
        return f"{check.cost_high:.0f} {check.currency}"
    return f"{check.cost_low:.0f} to {check.cost_high:.0f} {check.currency}"


def effort_words(check: CheckAdvice) -> str:
    """Say how long a check takes and what it costs.

    >>> effort_words(CheckAdvice("look", "Look", 5, 0, 0, "EUR", 0.3, ()))
    '5 min, free'
    """
    minutes = f"{check.minutes:.0f} min" if check.minutes < 120 else f"{check.minutes / 60:.0f} h"
    return f"{minutes}, {cost_words(check)}"


def recording_notes(analysis: Analysis) -> tuple[Note, ...]:
    """Give all notes on the recording, worst first, each once: of reading it and of its quality.

    What a speech coding keeps is less than its sample rate would carry, so of the two notes only that on the
    coding is told.
    """
    merged = {(note.code, note.text): note for note in (*analysis.quality.notes, *analysis.clip.notes)}
    codes = {code for code, _ in merged}
    told = (
        note for note in merged.values() if note.code != "rate_limits_band" or "codec_speech" not in codes
    )
    return tuple(sorted(told, key=lambda note: _SEVERITY[note.severity]))


def notes_once(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Give notes in their order, each once: what holds for several recordings is said for all together.

    >>> len(notes_once([Note("hum", "It hums."), Note("hum", "It hums."), Note("wind", "It blows.")]))
    2
    """
    return tuple({(note.code, note.text): note for note in notes}.values())


def is_simulated(clip: Clip) -> bool:
    """Tell whether the clip says of itself, in its name or its notes, that it was simulated."""
    said = [clip.name, *(text for note in clip.notes for text in (note.code, note.text))]
    return any("simulated" in text.lower() for text in said)


def causes_worth_a_line(analysis: Analysis) -> list[CauseFinding]:
    """Give the causes that something speaks for, in the order of the analysis; at least one."""
    normal = analysis.verdict.kind == "normal"
    nothing = load_knowledge().nothing.name
    least = LEAST_SHARE_WHEN_NORMAL if normal else LEAST_SHARE
    listed = [
        cause
        for cause in analysis.causes
        if cause.probability >= least
        and ((normal and cause.name == nothing) or not " ".join(cause.because).startswith(NO_SUPPORT))
    ]
    return listed or list(analysis.causes[:1])
