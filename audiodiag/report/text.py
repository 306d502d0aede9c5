"""The diagnosis in plain words, on one screen: what was heard, what it may come from, what to look at first.

The report is built from full to lean until it fits `MOST_LINES`. Cautions are never left out, because work
on a running engine can hurt; they are said in their short words here, in whole sentences in the JSON. Only
causes that something speaks for are listed, with a letter by which the checks name them.
"""

from __future__ import annotations

import math
import re
import string
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from audiodiag.causes import load_knowledge
from audiodiag.records import Analysis, CauseFinding, CheckAdvice
from audiodiag.report import wording

__all__ = ["MOST_LINES", "text_report", "verdict_line"]

MOST_LINES = 40
"""Lines that a report may have at 80 columns."""
LEAST_WIDTH = 40
"""Columns below which lines are no longer made narrower."""
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")
_LEAD = re.compile(r"^.*? \(probability (?:[<>] )?\d+ %\): ")
_PERHAPS = re.compile(r"^Perhaps (.*? \(probability \d+ %\)): ")
_STYLES = {
    "strong": "1",
    "symptoms": "1;33",
    "normal": "1;32",
    "cannot_tell": "1;36",
    "not_an_engine_bay": "1;36",
}


@dataclass(frozen=True)
class _Detail:
    """How much of each part is told."""

    notes: int
    causes: int = 4
    because: int = 2
    limits: int = 2
    checks: int = 3
    alternatives: int = 1
    spans: int = 2
    brief: bool = False
    airy: bool = False
    listed: bool = False


_DETAILS = (
    _Detail(notes=4, alternatives=2, listed=True, airy=True),
    _Detail(notes=4, alternatives=2, airy=True),
    _Detail(notes=3),
    _Detail(notes=2, spans=1, brief=True),
    _Detail(notes=1, spans=1, brief=True, because=1),
    _Detail(notes=1, spans=1, brief=True, because=1, causes=3),
    _Detail(notes=1, spans=1, brief=True, because=1, causes=3, limits=1),
    _Detail(notes=1, spans=1, brief=True, because=1, causes=2, limits=1),
    _Detail(notes=1, spans=1, brief=True, because=1, causes=2, limits=1, checks=2, alternatives=0),
    _Detail(notes=1, spans=1, brief=True, because=0, causes=2, limits=1, checks=2, alternatives=0),
    _Detail(notes=1, spans=1, brief=True, because=0, causes=2, limits=0, checks=1, alternatives=0),
)


def text_report(analysis: Analysis, *, width: int = 80, colour: bool = False) -> str:
    """Give the report as text, lines at most ``width`` columns wide, ending with a line end.

    ``colour`` adds terminal colours; nothing is said by colour alone.
    """
    width = max(LEAST_WIDTH, width)
    for detail in _DETAILS:
        lines = _lines(analysis, detail, width, colour)
        if len(lines) <= MOST_LINES:
            break
    return "\n".join(lines) + "\n"


def verdict_line(analysis: Analysis) -> str:
    """Give the verdict as one line with its line end: the clip, the kind of answer, the sentence."""
    kind = wording.VERDICT_WORDS[analysis.verdict.kind].lower()
    return _printable(f"{_clip_name(analysis)}: {kind}. {analysis.verdict.text}") + "\n"


def _lines(analysis: Analysis, detail: _Detail, width: int, colour: bool) -> list[str]:
    parts = [
        _opening(analysis, width, colour),
        _titled("Heard", _heard(analysis, detail, width), colour),
        _titled("Speed and steering", _speed_and_steering(analysis, detail, width), colour),
        _titled("Recording", _recording(analysis, detail, width), colour),
        _titled(_causes_title(analysis, detail), _causes(analysis, detail, width), colour),
        _titled("Check first", _checks(analysis, detail, width), colour),
        _titled("Take care", _cautions(analysis, detail, width), colour),
    ]
    told = [part for part in parts if part]
    if detail.airy:
        told = [["", *part] if number else part for number, part in enumerate(told)]
    return [line for part in told for line in part]


def _opening(analysis: Analysis, width: int, colour: bool) -> list[str]:
    clip = analysis.clip
    rate = (clip.file_sample_rate_hz or clip.sample_rate_hz) / 1000
    facts = [f"{clip.duration_s:.1f} s", clip.codec, f"{rate:g} kHz"]
    if clip.channels > 1:
        facts.append(f"channel {clip.channel_used} of {clip.channels}")
    kind = analysis.verdict.kind
    return [
        *_wrapped(f"{_clip_name(analysis)} ({', '.join(facts)})", width),
        *(_styled(line, kind, colour) for line in _wrapped(wording.VERDICT_WORDS[kind], width)),
        *_wrapped(analysis.verdict.text, width),
    ]


def _clip_name(analysis: Analysis) -> str:
    name = analysis.clip.name
    if wording.is_simulated(analysis.clip) and "simulated" not in name.lower():
        return f"{name}, a simulated clip"
    return name


def _heard(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    if analysis.verdict.kind in ("cannot_tell", "not_an_engine_bay"):
        return _hanging("nothing is claimed about any sound in this clip", width)
    ranked = sorted(analysis.symptoms, key=lambda found: -found.probability)
    heard = [found for found in ranked if found.probability >= wording.HEARD_FROM]
    maybe = [found for found in ranked if wording.MAYBE_FROM <= found.probability < wording.HEARD_FROM]
    unheard = [found for found in ranked if found.probability < wording.MAYBE_FROM]
    lines = []
    for found in heard:
        name = f"{wording.SYMPTOM_WORDS[found.name]}, {wording.percent(found.probability)} sure"
        rest = (
            f"{wording.level_words(found.level_db)}; {wording.when_words(found, analysis, most=detail.spans)}"
        )
        lines += _hanging(f"{name}: {rest}", width, indent=4)
    if maybe:
        named = (f"{wording.SYMPTOM_WORDS[f.name]} ({wording.percent(f.probability)})" for f in maybe)
        lines += _hanging(f"perhaps: {', '.join(named)}", width, indent=4)
    if unheard:
        most = wording.percent(unheard[0].probability).replace("< ", "under ")
        named = (wording.SYMPTOM_WORDS[found.name] for found in unheard)
        lines += _hanging(f"not heard ({most} at most): {', '.join(named)}", width, indent=4)
    return lines


def _speed_and_steering(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    speed = analysis.speed
    lines = []
    if speed.known:
        known = speed.rpm[np.isfinite(speed.rpm)]
        low, high = float(np.min(known)), float(np.max(known))
        about = f"about {speed.median_rpm:.0f} rpm"
        if high - low > 0.02 * speed.median_rpm:
            about += f" ({low:.0f} to {high:.0f} over time)"
        text = f"{about}, {wording.speed_source_words(speed)}"
        if speed.source == "acoustic":
            text += (
                f", {wording.percent(speed.confidence)} sure"
                if speed.confidence >= 0
                else ", not sure at all"
            )
        if speed.cylinders is not None:
            doubt = (
                ", not certain" if any(note.code == wording.CYLINDERS_DOUBTED for note in speed.notes) else ""
            )
            text += f"; {speed.cylinders} cylinders ({speed.cylinders_source}{doubt})"
        elif speed.source == "acoustic":
            text += "; number of cylinders unknown, state it to be surer"
        unknown_share = 1 - len(known) / max(1, len(speed.rpm))
        if unknown_share > 0.1:
            text += f"; unknown for {wording.percent(unknown_share)} of the time"
        lines += _hanging(text, width, indent=4)
        for other in wording.other_speeds(speed, most=detail.alternatives):
            numbers = " or ".join(map(str, other.cylinders))
            also = f"be {other.rpm:.0f} rpm" + (f" with {numbers} cylinders" if numbers else "")
            if other.same and numbers:
                also = f"have {numbers} cylinders at the same speed"
            lines += _hanging(f"could also {also} ({wording.percent(other.probability)})", width, indent=4)
        for note in speed.notes:
            if note.code == wording.READINGS_WEIGHED:
                lines += _hanging(note.text, width, indent=4)
    else:
        lines += _hanging("engine speed not found; state it with --rpm where you know it", width, indent=4)
    lines += _hanging(_steering_text(analysis), width, indent=4)
    if analysis.drive is not None and not detail.brief:
        for text in analysis.drive.texts:
            lines += _hanging(text, width, indent=4)
    return lines


def _steering_text(analysis: Analysis) -> str:
    phases = analysis.phases
    if phases.source == "unknown" or not phases.spans:
        return "steering: unknown when the wheel was turned"
    told = []
    for phase, words in wording.PHASE_WORDS.items():
        seconds = wording.covered_s([(s.start_s, s.end_s) for s in phases.spans if s.phase == phase])
        if seconds > 0:
            told.append(f"{words} {seconds:.1f} s")
    source = {"marked": "as marked", "tabled": "from the table", "inferred": "inferred from the sound"}
    sure = f", {wording.percent(phases.confidence)} sure" if phases.source == "inferred" else ""
    return f"steering, {source[phases.source]}{sure}: {', '.join(told)}"


def _recording(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    low, high = analysis.quality.band_hz
    verdict = "usable" if analysis.quality.usable else "NOT usable"
    carries = ""
    if math.isfinite(low) and math.isfinite(high):
        carries = f", carries {low:.0f} Hz to {high / 1000:.1f} kHz"
    told = [note for note in wording.recording_notes(analysis) if note.severity != "info"]
    told += [
        note
        for note in (*analysis.speed.notes, *analysis.phases.notes)
        if note.severity != "info" and note.code not in (wording.CYLINDERS_DOUBTED, wording.READINGS_WEIGHED)
    ]
    left = len(told) - detail.notes
    more = f"; {left} more note{'s' if left > 1 else ''} in --json" if left > 0 else ""
    lines = _hanging(f"{verdict}{carries}{more}", width, indent=4)
    for note in told[: detail.notes]:
        when = f" ({wording.span_words(note.spans_s, most=2)})" if note.spans_s else ""
        said = _beginning(note.text, width) if detail.brief else note.text
        lines += _hanging(f"{said}{when}", width, bullet="! ")
    return lines


def _beginning(text: str, least: int) -> str:
    """Give the first sentences of a text, as few as make it ``least`` signs long."""
    said = ""
    for sentence in _SENTENCE_END.split(text):
        said = f"{said} {sentence}".strip()
        if len(said) >= least:
            break
    return said


def _causes_title(analysis: Analysis, detail: _Detail) -> str:
    """Give the title over the causes, which says so where not all of them fit."""
    many = len(wording.causes_worth_a_line(analysis))
    shown = min(many, detail.causes)
    return "Likely causes" if shown == many else f"Likely causes ({shown} of {many}; all with --json)"


def _causes(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    listed = wording.causes_worth_a_line(analysis)[: detail.causes]
    lines: list[str] = []
    sure = {found.name: found.probability for found in analysis.symptoms}
    surest_first = sorted(load_knowledge().symptoms, key=lambda symptom: -sure.get(symptom.name, 0.0))
    limits = [symptom.cannot_tell for symptom in surest_first]
    leads = [symptom.heard for symptom in surest_first]
    for letter, cause in zip(string.ascii_lowercase, listed, strict=False):
        reasons = _reasons([said for said in cause.because if said not in limits], leads)
        text = f"{letter} {wording.percent(cause.probability):>6}  {cause.title}"
        reason = "; ".join(reasons[: detail.because])
        lines += _hanging(f"{text}: {reason}" if reason else text, width, indent=12)
    for finding in analysis.causes:
        empty = finding.name == load_knowledge().nothing.name and finding not in listed
        if empty and finding.probability >= wording.LEAST_SHARE:
            share = wording.percent(finding.probability)
            lines += _hanging(f"  {share:>6}  nothing wrong, and what is heard misleads", width)
    if analysis.verdict.kind == "normal" and listed and listed[0].probability < 0.9:
        lines += _hanging("Causes that little here speaks for are left out.", width)
    told = [said for said in limits if any(said in cause.because for cause in listed)]
    for said in told[: detail.limits]:
        lines += _hanging(said, width)
    return lines


def _reasons(because: Iterable[str], leads: list[str]) -> list[str]:
    """Give a cause's reasons as clauses: what was seen, what was heard as ``leads`` stand, the rest.

    What the clip itself answered stands with what was seen.

    That a sound is heard, and how sure that is, stands in the report already, so only the reason is kept.
    Each stands behind the colon after the cause's title, so that none brings a second one.
    """
    ranked: list[tuple[int, str]] = []
    for said in because:
        lead = next((rank for rank, words in enumerate(leads, 1) if said.startswith(words)), None)
        clause = said.rstrip(".")
        if lead is not None:
            clause = _LEAD.sub("", clause, count=1)
        elif not said.startswith(("Seen or felt", "Heard in the clip")):
            lead = len(leads) + 1
        ranked.append((lead or 0, clause))
    ranked.sort(key=lambda pair: pair[0])
    kept = [clause for _, clause in ranked if not clause.startswith("This is no fault")]
    return [_behind_a_colon(clause, first=not place) for place, clause in enumerate(kept)]


def _behind_a_colon(clause: str, *, first: bool) -> str:
    """Begin a reason so that it can follow a title and its colon, or another reason.

    >>> _behind_a_colon("Perhaps there is a hiss (probability 24 %): it does its duty", first=True)
    'perhaps there is a hiss (probability 24 %); it does its duty'
    >>> _behind_a_colon("Against it: no hiss is heard", first=False)
    'but no hiss is heard'
    """
    clause = _PERHAPS.sub(r"perhaps \1; ", clause, count=1)
    for said, instead in (
        ("Seen or felt: ", "as seen or felt, "),
        ("Heard in the clip: ", "as heard in the clip, "),
        ("Against it: ", "against it, " if first else "but "),
    ):
        if clause.startswith(said):
            return instead + clause.removeprefix(said)
    return clause[:1].lower() + clause[1:]


def _checks(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    listed = wording.causes_worth_a_line(analysis)[: detail.causes]
    lines: list[str] = []
    for number, check in enumerate(analysis.next_checks[: detail.checks], 1):
        text = f"{check.title} ({wording.effort_words(check)}{_apart(check, listed)})"
        lines += _hanging(text, width, bullet=f"{number}. ")
    return lines


def _apart(check: CheckAdvice, listed: Iterable[CauseFinding]) -> str:
    """Name the causes that a check speaks about, by their letters in the list above it."""
    letters = [
        letter
        for letter, cause in zip(string.ascii_lowercase, listed, strict=False)
        if {cause.name, cause.title} & set(check.tells_apart)
    ]
    if not letters:
        return ""
    return f"; tells apart {', '.join(letters)}" if len(letters) > 1 else f"; tells whether {letters[0]}"


def _cautions(analysis: Analysis, detail: _Detail, width: int) -> list[str]:
    short = {caution.text: caution.short for caution in load_knowledge().cautions}
    cautions = [short.get(caution, caution) for caution in dict.fromkeys(analysis.cautions)]
    if detail.listed:
        return [line for caution in cautions for line in _hanging(caution, width, bullet="- ")]
    return _hanging(" ".join(cautions), width) if cautions else []


def _titled(title: str, lines: list[str], colour: bool) -> list[str]:
    return [_styled(title, "strong", colour), *lines] if lines else []


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(_printable(text), width, break_on_hyphens=False) or [""]


def _hanging(text: str, width: int, *, indent: int = 2, bullet: str = "") -> list[str]:
    """Wrap text two columns in, later lines under its beginning (bullet) or further in (indent)."""
    later = 2 + len(bullet) if bullet else indent
    return textwrap.wrap(
        _printable(bullet + text),
        width,
        initial_indent="  ",
        subsequent_indent=" " * later,
        break_on_hyphens=False,
    )


def _styled(text: str, style: str, colour: bool) -> str:
    return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if colour else text


def _printable(text: str) -> str:
    """Keep a file's name from steering the terminal: what cannot be printed becomes a question mark."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)
