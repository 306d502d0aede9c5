"""Calls that ask workers for something: comparisons, the bleed watch, the trend, reports, parcels, parts."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from starlette.responses import FileResponse

from audiodiag.desk.api.asked import Asked, RefusalError, not_there
from audiodiag.desk.api.views import comparison_values, refusal_texts
from audiodiag.desk.casework import ask_comparison, ask_watch
from audiodiag.desk.tables import ComparisonRow, FileRow
from audiodiag.desk.tasks import Paper, ask_parcel, ask_parts, ask_report, papers_of

__all__ = [
    "bleed_watch", "comparisons", "made_file", "new_comparison", "one_comparison", "one_task", "parcel",
    "parts", "report", "tasks", "trend",
]  # fmt: skip

TASK_KINDS = ("report", "parcel", "parts", "unpack")


def comparisons(asked: Asked) -> dict[str, Any]:
    """List comparisons, bleed watches and courses over time, the newest first."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        rows = session.scalars(
            select(ComparisonRow).where(ComparisonRow.case_id == case.id).order_by(ComparisonRow.id.desc())
        ).all()
        return {"comparisons": [comparison_values(session, row) for row in rows]}


def one_comparison(asked: Asked) -> dict[str, Any]:
    """Read one of them, with its result once it is done."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        row = session.get(ComparisonRow, asked.path["comparison"])
        if row is None or row.case_id != case.id:
            raise not_there("comparison", asked.path["comparison"])
        return comparison_values(session, row)


def new_comparison(asked: Asked) -> dict[str, Any]:
    """Ask what has changed between recordings before and after the work."""
    most = asked.room.settings.limits.waiting_jobs
    with asked.room.store.writing() as session:
        before, after = asked.body["before"], asked.body["after"]
        stated = bool(asked.body.get("one_phone", False))
        case = asked.case(session)
        row = ask_comparison(session, asked.who, case, before, after, one_phone=stated, most_waiting=most)
        session.flush()
        told = comparison_values(session, row)
    asked.room.workforce.wake()
    return told


def bleed_watch(asked: Asked) -> dict[str, Any]:
    """Ask whether the air is out yet, cycle by cycle, over recordings in their order."""
    return _watch(asked, "bleed", cycle_s=asked.body.get("cycle_s"))


def trend(asked: Asked) -> dict[str, Any]:
    """Ask how each sound has gone over days or mileage in km; without ``at`` by the days of arrival."""
    return _watch(asked, "trend", at=asked.body.get("at", ()), unit=asked.body.get("unit", "day"))


def _watch(asked: Asked, kind: str, **told: Any) -> dict[str, Any]:
    most = asked.room.settings.limits.waiting_jobs
    with asked.room.store.writing() as session:
        case = asked.case(session)
        row = ask_watch(session, asked.who, case, kind, asked.body["recordings"], most_waiting=most, **told)
        session.flush()
        values = comparison_values(session, row)
    asked.room.workforce.wake()
    return values


def tasks(asked: Asked) -> dict[str, Any]:
    """List what workers were asked to make of a case, the newest first."""
    with asked.room.store.reading() as session:
        return {"tasks": [_task(paper) for paper in papers_of(session, asked.case(session), TASK_KINDS)]}


def one_task(asked: Asked) -> dict[str, Any]:
    """Read one of them, with its files once they are made."""
    return _one_task(asked, asked.path["task"])


def _one_task(asked: Asked, number: int) -> dict[str, Any]:
    with asked.room.store.reading() as session:
        papers = papers_of(session, asked.case(session), TASK_KINDS)
    for paper in papers:
        if paper.task.id == number:
            return _task(paper)
    raise not_there("task", number)


def report(asked: Asked) -> dict[str, Any]:
    """Ask for the report as one page in one file."""
    most = asked.room.settings.limits.waiting_jobs
    with asked.room.store.writing() as session:
        task = ask_report(session, asked.who, asked.case(session), most_waiting=most, **asked.body)
    asked.room.workforce.wake()
    return _one_task(asked, task.id)


def parcel(asked: Asked) -> dict[str, Any]:
    """Ask for a parcel: recordings without their tags, diagnosis and report in one file to send."""
    most = asked.room.settings.limits.waiting_jobs
    with asked.room.store.writing() as session:
        task = ask_parcel(session, asked.who, asked.case(session), most_waiting=most, **asked.body)
    asked.room.workforce.wake()
    return _one_task(asked, task.id)


def parts(asked: Asked) -> dict[str, Any]:
    """Ask for the parts of a recording, each alone; those that are there already are given at once."""
    from audiodiag.desk.tasks import parts_of

    most = asked.room.settings.limits.waiting_jobs
    with asked.room.store.writing() as session:
        case = asked.case(session)
        recording = asked.recording(session, case)
        ask_parts(session, asked.who, case, recording, most_waiting=most)
        session.flush()
        paper = parts_of(session, recording)
        assert paper is not None
        told = _task(paper)
    asked.room.workforce.wake()
    return told


def _task(paper: Paper) -> dict[str, Any]:
    return {
        "task": paper.task.id,
        "kind": paper.task.kind,
        "state": paper.state,
        "refusal": refusal_texts(paper.refusal),
        "who": paper.task.who,
        "made_at": paper.task.made_at,
        "settings": paper.settings,
        "result": paper.result,
        "files": [
            {"file": file.id, "name": file.name, "media": file.media, "size_bytes": file.size_bytes}
            for file in paper.files
        ],
    }


def made_file(asked: Asked) -> FileResponse:
    """Fetch a file that a worker made; it is only ever saved, never shown as a page of the desk."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        file = session.get(FileRow, asked.path["file"])
    if file is None or file.case_id != case.id:
        raise not_there("file", asked.path["file"])
    path = asked.room.vault.made_of(file.sha256)
    if not path.is_file():
        raise RefusalError(
            404,
            "this file is not kept any more",
            got=f"file {file.id}",
            allowed="a file that lies in the desk's folder",
            todo="ask for it to be made again",
        )
    return FileResponse(
        path, media_type="application/octet-stream", filename=file.name, content_disposition_type="attachment"
    )
