"""The technician's page: recordings before and after the work, side by side, and what has changed."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from starlette.responses import Response

from audiodiag.desk.casework import ask_comparison
from audiodiag.desk.findings import heard_in, standing_cautions
from audiodiag.desk.pages.asking import Ask, case_of, go_to, page
from audiodiag.desk.tables import AnalysisRow, ComparisonRow, JobRow, RecordingRow

__all__ = ["Change", "compare_asked", "compare_form"]

SCALE_DB = 24.0
"""The drawing of a change reaches this far to each side."""


@dataclass(frozen=True)
class Change:
    """One sound in the drawing: bar from ``low`` to ``high`` and dot, in per cent of the width."""

    text: str
    name: str
    verdict: str
    left: float | None
    width: float
    dot: float


def compare_form(ask: Ask) -> Response:
    """Choose the sides; below, every comparison of this case, the newest first."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recordings = session.scalars(
            select(RecordingRow).where(RecordingRow.case_id == case.id).order_by(RecordingRow.id)
        ).all()
        done = set(
            session.scalars(
                select(AnalysisRow.recording_id).where(
                    AnalysisRow.recording_id.in_([each.id for each in recordings])
                )
            )
        )
        rows = session.scalars(
            select(ComparisonRow)
            .where(ComparisonRow.case_id == case.id, ComparisonRow.kind == "compare")
            .order_by(ComparisonRow.id.desc())
        ).all()
        jobs = {
            job.comparison_id: job
            for job in session.scalars(
                select(JobRow).where(JobRow.case_id == case.id, JobRow.kind == "compare").order_by(JobRow.id)
            )
        }
        simulated = {each.id for each in recordings if heard_in(session, each).simulated}
    names = {
        each.id: f"{each.file_name} (simulated)" if each.id in simulated else each.file_name
        for each in recordings
    }
    shown = [_shown(row, jobs.get(row.id), names) for row in rows]
    waits = any(each["state"] in ("queued", "running") for each in shown)
    return page(
        ask,
        "compare.html",
        here="case",
        case=case,
        names=names,
        cautions=standing_cautions(),
        recordings=recordings,
        done=done,
        shown=shown,
        waits=waits,
    )


def compare_asked(ask: Ask) -> Response:
    """Ask for a comparison."""
    sides: dict[str, list[int]] = {"before": [], "after": []}
    for field, value in ask.form.items():
        number = field.removeprefix("side.")
        if number != field and number.isascii() and number.isdigit() and len(number) < 12 and value in sides:
            sides[value].append(int(number))
    limits = ask.room.settings.limits
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        ask_comparison(
            session, ask.who, case, sides["before"], sides["after"], most_waiting=limits.waiting_jobs
        )
    ask.room.workforce.wake()
    return go_to(f"/cases/{case.key}/compare", "asked")


def _shown(row: ComparisonRow, job: JobRow | None, names: dict[int, str]) -> dict[str, Any]:
    result = json.loads(row.result) if row.result else None
    return {
        "row": row,
        "state": job.state if job else "failed",
        "refusal": json.loads(job.said) if job and job.state == "failed" and job.said else None,
        "before": [names.get(each, "?") for each in json.loads(row.before)],
        "after": [names.get(each, "?") for each in json.loads(row.after)],
        "result": result,
        "changes": [_change(each) for each in result["symptoms"]] if result else [],
    }


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
