"""Steering phases that a person states: in a table, or as marks in one line.

Conventions: ``centre`` is the wheel held straight, ``turning`` any movement, ``stop`` the wheel held at full
lock. Spans may leave gaps (unknown) and may not overlap; times are seconds from the start of the clip.
"""

from __future__ import annotations

import difflib
import math
import re
from pathlib import Path

from audiodiag.errors import SteeringError
from audiodiag.records import PHASES, Note, Phases, PhaseSpan
from audiodiag.speed.given import decimal, read_rows

__all__ = ["phases_from_marks", "phases_from_table", "unknown_phases"]

TOLERANCE_S = 0.05
"""A stated span may reach this far into the next one or past the end of the clip: rounding, not error."""
STATED_CONFIDENCE = 0.95
"""Confidence in phases that a person states."""
_WORDS = {"center": "centre", "straight": "centre", "lock": "stop", "turn": "turning"}
_NUMBER = r"([0-9]+(?:[.,][0-9]+)?)"
_MARK = re.compile(rf"([A-Za-z]+)\s*:?\s+{_NUMBER}\s*s?\s*(?:-|–|to)\s*{_NUMBER}\s*s?")


def unknown_phases() -> Phases:
    """Give the phases of a clip about whose steering nothing is known.

    >>> unknown_phases().source
    'unknown'
    """
    return Phases(source="unknown")


def phases_from_marks(text: str, duration_s: float) -> Phases:
    """Read phases from one line such as ``centre 0-2, turning 2-4.3, stop 4.3-6``.

    Parameters
    ----------
    text:
        Marks between commas or semicolons; each is a phase (centre, turning, stop) and its span in seconds.
        Decimals take a point, or a comma where semicolons stand between the marks.
    duration_s:
        Length of the clip in seconds.

    Raises
    ------
    SteeringError
        If a mark cannot be read, lies outside the clip or overlaps another.

    Examples
    --------
    >>> phases = phases_from_marks("centre 0-2, turning 2-4.3, stop 4.3-6", 6.0)
    >>> [(span.phase, span.start_s, span.end_s) for span in phases.spans]
    [('centre', 0.0, 2.0), ('turning', 2.0, 4.3), ('stop', 4.3, 6.0)]
    """
    marks = [mark.strip() for mark in re.split(r";|\n" if ";" in text else r",|\n", text) if mark.strip()]
    if not marks:
        raise SteeringError(
            "the steering marks are empty",
            got=f'"{text}"',
            allowed='marks like "centre 0-2, turning 2-4.3, stop 4.3-6"',
            todo="write the marks, or leave the option out",
        )
    spans = []
    for number, mark in enumerate(marks, start=1):
        place = f"steering mark {number}"
        found = _MARK.fullmatch(mark)
        if found is None:
            raise SteeringError(
                f"{place} cannot be read",
                got=f'"{mark}"',
                allowed='a phase and its span in seconds, like "turning 2-4.3"',
                todo="write decimals with a point, or put semicolons between the marks",
            )
        spans.append(_span(place, found[1], found[2], found[3], duration_s))
    return Phases("marked", _in_order(spans), STATED_CONFIDENCE, _notes(spans, duration_s))


def phases_from_table(path: str | Path, duration_s: float) -> Phases:
    """Read phases from a table with the columns ``phase``, ``start_s`` and ``end_s``.

    Parameters
    ----------
    path:
        CSV with comma, semicolon or tab; the header is optional; decimal commas are read where semicolon or
        tab separate the columns.
    duration_s:
        Length of the clip in seconds.

    Raises
    ------
    SteeringError
        With the line number, if a row cannot be read, lies outside the clip or overlaps another.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "steering.csv")
    ...     _ = file.write_text("phase;start_s;end_s\\ncentre;0;2,5\\nstop;3;6\\n")
    ...     phases_from_table(file, 6.0).spans[0].end_s
    2.5
    """
    name = Path(path).name
    rows = read_rows(path, SteeringError, what="steering table")
    if [cell.lower() for cell in rows[0].cells] == ["phase", "start_s", "end_s"]:
        rows = rows[1:]
    if not rows:
        raise SteeringError(
            f"the steering table {name} has no rows",
            got="a header only",
            allowed="at least one row of phase, start_s, end_s",
            todo="add rows, or leave the option out",
        )
    spans = []
    for row in rows:
        place = f"line {row.line} of the steering table {name}"
        if len(row.cells) != 3:
            raise SteeringError(
                f"{place} has the wrong number of columns",
                got=f"{len(row.cells)} columns",
                allowed="three: phase, start_s, end_s",
                todo="use semicolons between the columns if the decimals take commas",
            )
        spans.append(_span(place, row.cells[0], row.cells[1], row.cells[2], duration_s))
    return Phases("tabled", _in_order(spans), STATED_CONFIDENCE, _notes(spans, duration_s))


def _span(place: str, word: str, start: str, end: str, duration_s: float) -> PhaseSpan:
    """Give one validated span from its words; an end past the clip's within the tolerance is drawn back."""
    phase = _WORDS.get(word.lower(), word.lower())
    if phase not in PHASES:
        near = difflib.get_close_matches(phase, PHASES, n=1, cutoff=0.5)
        raise SteeringError(
            f"{place} names a phase that is not known",
            got=word or "nothing",
            allowed=", ".join(PHASES),
            todo=f"did you mean {near[0]}?" if near else "use one of the three words",
        )
    start_s, end_s = decimal(start), decimal(end)
    if not (math.isfinite(start_s) and math.isfinite(end_s)) or start_s < 0 or start_s >= end_s:
        raise SteeringError(
            f"{place} has no usable span",
            got=f"{start.strip() or 'nothing'} to {end.strip() or 'nothing'} s",
            allowed="a start of 0 s or more and a later end",
            todo="give both in seconds from the start of the clip",
        )
    if end_s > duration_s + TOLERANCE_S or start_s >= duration_s:
        raise SteeringError(
            f"{place} reaches past the end of the clip",
            got=f"{start_s:g} to {end_s:g} s",
            allowed=f"up to {duration_s:.2f} s",
            todo="check that the marks belong to this clip",
        )
    return PhaseSpan(phase, start_s, min(end_s, duration_s))


def _in_order(spans: list[PhaseSpan]) -> tuple[PhaseSpan, ...]:
    """Sort the spans by time and refuse overlaps; an overlap within the tolerance is cut off."""
    ordered: list[PhaseSpan] = []
    for span in sorted(spans, key=lambda span: (span.start_s, span.end_s)):
        if ordered and span.start_s < ordered[-1].end_s:
            last = ordered[-1]
            if last.end_s - span.start_s > TOLERANCE_S or span.end_s <= last.end_s:
                raise SteeringError(
                    "two steering spans overlap",
                    got=f"{last.phase} {last.start_s:g}-{last.end_s:g} s and "
                    f"{span.phase} {span.start_s:g}-{span.end_s:g} s",
                    allowed="one phase at a time; gaps are allowed",
                    todo="let one span end where the next begins",
                )
            span = PhaseSpan(span.phase, last.end_s, span.end_s)
        ordered.append(span)
    return tuple(ordered)


def _notes(spans: list[PhaseSpan], duration_s: float) -> tuple[Note, ...]:
    """Say how much of the clip the stated phases leave open."""
    covered_s = sum(span.end_s - span.start_s for span in spans)
    if duration_s - covered_s <= max(0.2, 0.02 * duration_s):
        return ()
    text = f"The stated phases leave {duration_s - covered_s:.1f} s of the clip open."
    return (Note("phases_incomplete", text, severity="info"),)
