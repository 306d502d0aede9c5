"""The technician's page: before and after the work, whether the air is out yet, and the course over time."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from starlette.responses import Response

from audiodiag.comparison.trend import place_words
from audiodiag.desk.casework import (
    LEAST_FOLLOWED,
    MOST_COMPARED,
    ask_comparison,
    ask_watch,
    days_since_first,
    number_told,
)
from audiodiag.desk.findings import Heard, heard_in, parted_changes, standing_cautions
from audiodiag.desk.pages.asking import Ask, case_of, go_to, page
from audiodiag.desk.tables import ComparisonRow, FileRow, JobRow, RecordingRow
from audiodiag.desk.tasks import files_of_job

__all__ = ["Change", "Clip", "compare_asked", "compare_form"]

SCALE_DB = 24.0
"""The drawing of a change reaches this far to each side."""

_FIELDS = {
    "with --before-steering and --after-steering": "in the steering field when sending",
    "with --steering": "when you send the recording",
    "with --cycle": "on this page",
}


@dataclass(frozen=True)
class Change:
    """One sound in the drawing: bar from ``low`` to ``high`` and dot, in per cent of the width."""

    text: str
    name: str
    verdict: str
    left: float | None
    width: float
    dot: float


@dataclass(frozen=True)
class Clip:
    """One recording as the workshop names it."""

    id: int
    name: str
    said: str
    heard: bool
    arrived_s: float


def compare_form(ask: Ask) -> Response:
    """Choose recordings; above, all that was asked for in this case, the newest first."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recordings = session.scalars(
            select(RecordingRow).where(RecordingRow.case_id == case.id).order_by(RecordingRow.id)
        ).all()
        rows = session.scalars(
            select(ComparisonRow).where(ComparisonRow.case_id == case.id).order_by(ComparisonRow.id.desc())
        ).all()
        jobs = {
            job.comparison_id: job
            for job in session.scalars(
                select(JobRow)
                .where(JobRow.case_id == case.id, JobRow.comparison_id.is_not(None))
                .order_by(JobRow.id)
            )
        }
        files = {row.id: files_of_job(session, jobs[row.id].id) for row in rows if row.id in jobs}
        clips = {each.id: _clip(heard_in(session, each)) for each in recordings}
    shown = [_shown(row, jobs.get(row.id), clips, files.get(row.id, ())) for row in rows]
    return page(
        ask,
        "compare.html",
        here="case",
        case=case,
        cautions=standing_cautions(),
        recordings=recordings,
        clips=clips,
        shown=shown,
        least=LEAST_FOLLOWED,
        most=MOST_COMPARED,
    )


def compare_asked(ask: Ask) -> Response:
    """Ask for a comparison, a bleed watch or the course over time; ``kind`` says which."""
    kind = ask.form.get("kind", "compare")
    most = ask.room.settings.limits.waiting_jobs
    chosen = [int(each) for each in ask.many.get("recording", ()) if each.isascii() and each.isdigit()]
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        if kind == "bleed":
            cycle_s = number_told(ask.form.get("cycle_s", ""), "the length of a cycle", low=2.0, high=120.0)
            ask_watch(session, ask.who, case, "bleed", chosen, cycle_s=cycle_s, most_waiting=most)
        elif kind == "trend":
            told = [
                (number_told(ask.form.get(f"at.{each}", ""), "a day or mileage"), each) for each in chosen
            ]
            at = [place for place, _ in told if place is not None]
            if len(at) == len(told):
                told.sort(key=lambda pair: (pair[0] or 0.0, pair[1]))
                at.sort()
            unit = "mileage" if ask.form.get("unit") == "mileage" else "day"
            in_order = [each for _, each in told]
            ask_watch(session, ask.who, case, "trend", in_order, at=at, unit=unit, most_waiting=most)
        else:
            sides = _sides(ask.form)
            ask_comparison(
                session, ask.who, case, sides["before"], sides["after"],
                one_phone=ask.form.get("one_phone") == "yes", most_waiting=most,
            )  # fmt: skip
    ask.room.workforce.wake()
    return go_to(f"/cases/{case.key}/compare", "asked")


def _sides(form: dict[str, str]) -> dict[str, list[int]]:
    sides: dict[str, list[int]] = {"before": [], "after": []}
    for field, value in form.items():
        number = field.removeprefix("side.")
        if number != field and number.isascii() and number.isdigit() and len(number) < 12 and value in sides:
            sides[value].append(int(number))
    return sides


def _clip(heard: Heard) -> Clip:
    name = heard.recording.file_name
    result = heard.result
    said = result["analysis"]["verdict"]["text"] if result else "not listened to yet"
    shown = f"{name} (simulated)" if heard.simulated else name
    return Clip(heard.recording.id, shown, said, bool(result), heard.recording.received_at)


def _shown(
    row: ComparisonRow, job: JobRow | None, clips: dict[int, Clip], files: tuple[FileRow, ...]
) -> dict[str, Any]:
    result = json.loads(row.result) if row.result else None
    before, after = json.loads(row.before), json.loads(row.after)
    settings = json.loads(row.settings)
    arrived = [clips[each].arrived_s for each in before if each in clips]
    changes, unheard = parted_changes(result["symptoms"] if result and row.kind == "compare" else ())
    return {
        "row": row,
        "job": job.id if job else 0,
        "state": "done" if result else job.state if job else "failed",
        "refusal": json.loads(job.said) if job and job.state == "failed" and job.said else None,
        "sides": {"before": [clips[each] for each in before if each in clips],
                  "after": [clips[each] for each in after if each in clips]},
        "settings": settings,
        "result": result,
        "places": _place_words(result, settings, arrived) if row.kind == "trend" else {},
        "notes": [_desk_words(note["text"]) for note in _notes_of(result)],
        "files": {file.name.partition(".")[0]: file.id for file in files},
        "changes": [_change(each) for each in changes],
        "unheard": unheard,
    }  # fmt: skip


def _place_words(
    result: dict[str, Any] | None, settings: dict[str, Any], arrived_s: list[float]
) -> dict[float, str]:
    """Name every place of a course with its unit; with its date where it goes by the days of arrival.

    >>> points = {"symptoms": [{"points": [{"at": 64000.0}]}], "axis": "mileage", "unit": "km"}
    >>> _place_words(points, {"at": [64000.0], "unit": "mileage"}, [0.0])
    {64000.0: '64000 km'}
    """
    told = result or {"symptoms": ()}
    unit = told.get("unit") or ("km" if told.get("axis") == "mileage" else "day")
    by_arrival = settings.get("unit") == "day" and list(settings.get("at", ())) == days_since_first(arrived_s)
    said = {}
    for at in sorted({point["at"] for trend in told["symptoms"] for point in trend["points"]}):
        said[at] = place_words(at, unit)
        if by_arrival:
            said[at] += time.strftime(" (%Y-%m-%d)", time.localtime(min(arrived_s) + 86400.0 * at))
    return said


def _notes_of(result: dict[str, Any] | None) -> list[dict[str, str]]:
    told = result or {}
    return list(told.get("notes", told.get("conditions", {}).get("notes", [])))


def _desk_words(text: str) -> str:
    """Say a note with the fields of the page in place of the command's options."""
    for option, words in _FIELDS.items():
        text = text.replace(option, words)
    return text


def _change(change: dict[str, Any]) -> Change:
    def place(value_db: float) -> float:
        return 50.0 + 50.0 * min(max(value_db / SCALE_DB, -1.0), 1.0)

    low, high, middle = change["low_db"], change["high_db"], change["change_db"]
    if middle is None:
        return Change(change["text"], change["name"], change["verdict"], None, 0.0, 0.0)
    left = place(low if low is not None else -SCALE_DB)
    right = place(high if high is not None else SCALE_DB)
    return Change(
        change["text"], change["name"], change["verdict"], round(left, 1), round(max(right - left, 0.5), 1),
        round(place(middle), 1),
    )  # fmt: skip
