"""What stands on the page about one recording: plain texts and places in per cent, ready to be set."""

from __future__ import annotations

import string
from dataclasses import dataclass

from audiodiag.causes import load_knowledge
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import Analysis, CauseFinding, CheckAdvice, SymptomFinding
from audiodiag.report import wording
from audiodiag.report.language import Said, Sentences
from audiodiag.report.levels import shown_sounds
from audiodiag.report.page_pictures import Pictures, pictures
from audiodiag.report.page_sound import page_sounds
from audiodiag.report.page_words import (
    effort_said,
    level_said,
    names_said,
    percent_said,
    speed_said,
    steering_said,
    when_said,
)
from audiodiag.report.phase_levels import phase_rows
from audiodiag.report.raster import data_address

__all__ = ["CauseView", "CheckView", "ClipView", "PhaseCell", "PhaseView", "SoundView", "Track", "clip_view"]

MOST_CAUSES, MOST_CHECKS, MOST_NOTES = 4, 4, 5
NO_FAULT = ("relief_valve_at_stop", "nothing_wrong")
"""Causes that explain no fault: the headline that names one is not followed by them."""
WIDEST_BAR_DB = 20.0


@dataclass(frozen=True)
class SoundView:
    """One sound that is heard or perhaps heard. ``sure``: its probability, 0 to 100."""

    number: int
    name: str
    what: str
    verdict: str
    percent: str
    sure: float
    loud: str
    when: str
    reasons: tuple[Said, ...]


@dataclass(frozen=True)
class CauseView:
    """One cause that something speaks for, with the letter by which checks name it."""

    letter: str
    title: Said
    percent: str
    sure: float
    reasons: tuple[Said, ...]


@dataclass(frozen=True)
class CheckView:
    """One thing to check: how long it takes, what it costs, and what it tells apart."""

    title: Said
    takes: str
    costs: str
    apart: str


@dataclass(frozen=True)
class PhaseCell:
    """The level in one phase in words, and the length of its bar, 0 to 100 (None: not known)."""

    phase: str
    text: str
    length: float | None


@dataclass(frozen=True)
class PhaseView:
    """One row of the table of levels against the steering."""

    band: str
    cells: tuple[PhaseCell, ...]


@dataclass(frozen=True)
class Track:
    """One sound to play."""

    name: str
    what: str
    address: str


@dataclass(frozen=True, eq=False)
class ClipView:
    """All that the page says of one recording."""

    name: str
    simulated: bool
    facts: str
    kind: str
    headline: str
    lead: tuple[Said, ...]
    sounds: tuple[SoundView, ...]
    unheard: str
    circumstances: tuple[str, ...]
    recording: str
    notes: tuple[Said, ...]
    causes: tuple[CauseView, ...]
    causes_rest: str
    limits: tuple[Said, ...]
    checks: tuple[CheckView, ...]
    pictures: Pictures
    duration_s: float
    tracks: tuple[Track, ...]
    sound_notes: tuple[str, ...]
    phase_heads: tuple[str, ...]
    phases: tuple[PhaseView, ...]
    phases_none: str
    limit_band: str
    limit_band_named: str


def clip_view(
    analysis: Analysis, s: Sentences, *, parts: ListeningParts | None, most_sound_bytes: int
) -> ClipView:
    """Say everything of one analysed recording in the words of one language."""
    claimed = analysis.verdict.kind in ("symptoms", "normal")
    shown = shown_sounds(analysis)
    causes = wording.causes_worth_a_line(analysis)[:MOST_CAUSES]
    checks = analysis.next_checks[:MOST_CHECKS]
    tracks, sound_notes = _tracks(analysis, s, parts, most_sound_bytes)
    heads, rows, none = _phases(analysis, s)
    low, high = analysis.quality.band_hz
    band = {"low": round(low), "high": s.number(high / 1000, 1)} if low == low and high == high else None
    usable = "sure.usable" if band else "sure.usable_plain"
    unheard = [f for f in analysis.symptoms if f not in shown] if claimed else []
    clip = analysis.clip
    return ClipView(
        name=_printable(clip.name),
        simulated=wording.is_simulated(clip),
        facts=s.say(
            "method.facts",
            name=_printable(clip.name),
            seconds=s.number(clip.duration_s, 1),
            codec=clip.codec,
            rate=s.number((clip.file_sample_rate_hz or clip.sample_rate_hz) / 1000, 1),
            channels=clip.channels,
            sha=clip.sha256,
        ),
        kind=analysis.verdict.kind,
        headline=_headline(analysis, shown, s),
        lead=_lead(analysis, causes, checks, s),
        sounds=tuple(_sound(number, found, analysis, s) for number, found in enumerate(shown, 1)),
        unheard=""
        if not unheard
        else s.say(
            "sure.unheard",
            most=percent_said(max(f.probability for f in unheard)),
            sounds=", ".join(s.say(f"sound.{f.name}") for f in unheard),
        ),
        circumstances=(*speed_said(analysis, s), steering_said(analysis, s)),
        recording=s.say(usable, **(band or {})) if analysis.quality.usable else s.say("sure.unusable"),
        notes=_notes(analysis, s),
        causes=tuple(_causes(causes, s)),
        causes_rest=s.say("causes.rest")
        if analysis.verdict.kind == "normal" and causes and causes[0].probability < 0.9
        else "",
        limits=tuple(s.tell(text) for text in _limits(causes)),
        checks=tuple(_check(check, causes, s) for check in checks),
        pictures=pictures(analysis, s),
        duration_s=clip.duration_s,
        tracks=tracks,
        sound_notes=sound_notes,
        phase_heads=heads,
        phases=rows,
        phases_none=none,
        limit_band=s.say("method.limit_band", **band) if band else "",
        limit_band_named=s.say("method.limit_band_named", name=_printable(clip.name), **band) if band else "",
    )


def _headline(analysis: Analysis, shown: list[SymptomFinding], s: Sentences) -> str:
    kind = analysis.verdict.kind
    if kind == "symptoms":
        faults = [f for f in shown if f.probability >= wording.HEARD_FROM and f.name != "relief_hiss"]
        return s.say("answer.symptoms", sounds=names_said([s.say(f"sound.{f.name}") for f in faults], s))
    if kind == "normal" and any(f.probability >= wording.HEARD_FROM for f in shown):
        return s.say("answer.normal_hiss")
    return s.say(f"answer.{kind}")


def _lead(
    analysis: Analysis, causes: list[CauseFinding], checks: tuple[CheckAdvice, ...], s: Sentences
) -> tuple[Said, ...]:
    """The two or three sentences after the headline: what it is, the likeliest cause, the first check."""
    told = [] if analysis.verdict.kind == "symptoms" else [s.tell(analysis.verdict.text)]
    faults = [cause for cause in causes if cause.name not in NO_FAULT]
    if faults and analysis.verdict.kind == "symptoms":
        percent = percent_said(faults[0].probability)
        told.append(s.say_with("answer.likely", cause=s.tell(faults[0].title), percent=percent))
    if checks and analysis.verdict.kind == "symptoms":
        effort = ", ".join(effort_said(checks[0], s))
        told.append(s.say_with("answer.first", check=s.tell(checks[0].title), effort=effort))
    return tuple(told)


def _sound(number: int, found: SymptomFinding, analysis: Analysis, s: Sentences) -> SoundView:
    shown, rare = wording.telling_reasons([each.text for each in found.evidence], found.probability)
    reasons = [s.tell(text) for text in shown]
    if rare:
        reasons.append(Said(s.say("sure.rare"), s.language))
    return SoundView(
        number=number,
        name=s.say(f"sound.{found.name}"),
        what=s.say(f"sound.{found.name}_what"),
        verdict=s.say("sure.heard" if found.probability >= wording.HEARD_FROM else "sure.perhaps"),
        percent=percent_said(found.probability),
        sure=100.0 * found.probability,
        loud=level_said(found.level_db, s),
        when=when_said(found, analysis, s),
        reasons=tuple(reasons),
    )


def _notes(analysis: Analysis, s: Sentences) -> tuple[Said, ...]:
    """What makes the answer less sure, worst first."""
    noted = (*wording.recording_notes(analysis), *analysis.speed.notes, *analysis.phases.notes)
    noted = tuple(note for note in noted if note.code != wording.CYLINDERS_DOUBTED)  # said with the speed
    told = [note for note in noted if note.severity != "info"] + [n for n in noted if n.code == "simulated"]
    return tuple(s.tell(text) for text in list(dict.fromkeys(note.text for note in told))[:MOST_NOTES])


def _limits(causes: list[CauseFinding]) -> list[str]:
    """What sound alone cannot tell about the listed causes, each once."""
    known = [symptom.cannot_tell for symptom in load_knowledge().symptoms]
    return [text for text in known if any(text in cause.because for cause in causes)]


def _causes(causes: list[CauseFinding], s: Sentences) -> list[CauseView]:
    known = {symptom.cannot_tell for symptom in load_knowledge().symptoms}
    views: list[CauseView] = []
    for letter, cause in zip(string.ascii_uppercase, causes, strict=False):
        fresh = [text for text in cause.because if text not in known][:3]
        known.update(text for text in fresh if ":" not in text)  # said once is enough
        reasons = tuple(s.tell(text) for text in fresh)
        percent = percent_said(cause.probability)
        views.append(CauseView(letter, s.tell(cause.title), percent, 100.0 * cause.probability, reasons))
    return views


def _check(check: CheckAdvice, causes: list[CauseFinding], s: Sentences) -> CheckView:
    letters = [
        letter
        for letter, cause in zip(string.ascii_uppercase, causes, strict=False)
        if {cause.name, cause.title} & set(check.tells_apart)
    ]
    apart = ""
    if letters:
        apart = s.say("checks.apart" if len(letters) > 1 else "checks.whether", causes=", ".join(letters))
    takes, costs = effort_said(check, s)
    money = s.say("checks.costs", money=costs) if check.cost_high > 0 else s.say("checks.costs_nothing")
    return CheckView(s.tell(check.title), s.say("checks.takes", time=takes), money, apart)


def _tracks(
    analysis: Analysis, s: Sentences, parts: ListeningParts | None, most_bytes: int
) -> tuple[tuple[Track, ...], tuple[str, ...]]:
    sounds, plan, gain_db = page_sounds(analysis.clip, parts, most_bytes=most_bytes)
    tracks = tuple(
        Track(
            s.say(f"evidence.{sound.name}"),
            s.say(f"evidence.{sound.name}_what"),
            data_address("audio/mp4", sound.content),
        )
        for sound in sounds
    )
    notes = [s.say("evidence.parts_note")] if len(tracks) > 1 else []
    if parts is not None and not plan.part_bit_rate:
        notes.append(s.say("evidence.without_parts"))
    if plan.seconds < analysis.clip.duration_s - 0.05:
        notes.append(s.say("evidence.without_end", seconds=round(plan.seconds)))
    if gain_db >= 0.5:
        notes.append(s.say("evidence.gain", db=round(gain_db)))
    return tracks, tuple(notes)


def _phases(analysis: Analysis, s: Sentences) -> tuple[tuple[str, ...], tuple[PhaseView, ...], str]:
    rows = phase_rows(analysis)
    if not rows:
        return (), (), s.say("phases.one" if analysis.phases.spans else "phases.none")
    phases = [name for name in wording.PHASE_WORDS if any(c.phase == name for r in rows for c in r.levels)]
    heads = tuple(s.say(f"steering.{phase}") for phase in phases)
    views = []
    for row in rows:
        cells = []
        for phase, head in zip(phases, heads, strict=True):
            level = next((c for c in row.levels if c.phase == phase), None)
            if level is None:
                cells.append(PhaseCell(head, s.say("phases.missing"), None))
                continue
            text = s.say(
                "phases.level",
                middle=s.number(level.middle_db, 1),
                low=s.number(level.low_db, 1),
                high=s.number(level.high_db, 1),
            )
            cells.append(PhaseCell(head, text, 100.0 * min(1.0, level.middle_db / WIDEST_BAR_DB)))
        band = s.say("phases.whole")
        if row.sound is not None:
            low, high = s.number(row.low_hz / 1000, 1), s.number(row.high_hz / 1000, 1)
            band = s.say("phases.band", sound=s.say(f"sound.{row.sound}"), low=low, high=high)
        views.append(PhaseView(band, tuple(cells)))
    return heads, tuple(views), ""


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)
