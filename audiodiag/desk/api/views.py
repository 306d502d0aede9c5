"""From rows of the database to the plain values of the answers."""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.api.shapes import CAR_KEYS
from audiodiag.desk.findings import Heard, Urgency, advice_for, heard_in_each, urgency_of
from audiodiag.desk.jobs import waiting
from audiodiag.desk.tables import (
    AnalysisRow,
    CarRow,
    CaseRow,
    ComparisonRow,
    JobRow,
    NoteRow,
    RecordingRow,
    SeenRow,
)

__all__ = [
    "advice_values",
    "analysis_values",
    "answers_of",
    "case_values",
    "comparison_values",
    "job_values",
    "jobs_of",
    "newest_heard",
    "notes_of",
    "recording_values",
    "recordings_of",
    "recordings_values",
    "refusal_in",
    "refusal_texts",
    "urgency_values",
    "vehicle_values",
]

Progress = Any


def recordings_of(session: Session, case: CaseRow) -> Sequence[RecordingRow]:
    """Give the recordings of a case in the order in which they came."""
    return session.scalars(
        select(RecordingRow).where(RecordingRow.case_id == case.id).order_by(RecordingRow.id)
    ).all()


def case_values(session: Session, case: CaseRow, progress: Progress) -> dict[str, Any]:
    """Give a case with all that belongs to it but its deeds."""
    recordings = recordings_of(session, case)
    heard = newest_heard(session, recordings)
    seen = answers_of(session, case)
    pressing = urgency_of(
        case, {each["name"]: each["answer"] for each in seen}, heard.probabilities if heard else {}
    )
    return {
        "key": case.key,
        "title": case.title,
        "words": case.words,
        "state": case.state,
        "cannot_drive": case.cannot_drive,
        "urgency": urgency_values(pressing),
        "made_at": case.made_at,
        "changed_at": case.changed_at,
        "vehicle": vehicle_values(session.get_one(CarRow, case.car_id)),
        "recordings": recordings_values(session, recordings, progress),
        "answers": seen,
        "notes": notes_of(session, case),
    }


def newest_heard(session: Session, recordings: Sequence[RecordingRow]) -> Heard | None:
    """Give what was heard in the newest recording that was listened to."""
    heards = heard_in_each(session, recordings)
    return next((heard for heard in reversed(heards) if heard.stored is not None), None)


def urgency_values(urgency: Urgency) -> dict[str, Any]:
    """Give how much a case presses, and why."""
    return {"rank": urgency.rank, "reasons": list(urgency.reasons)}


def vehicle_values(car: CarRow) -> dict[str, Any]:
    """Give what is stated of a car."""
    told = {key: getattr(car, key) for key in (*CAR_KEYS, "age_years", "mileage_km")}
    return {**told, "renewed": [part for part in car.renewed.split(",") if part]}


def recording_values(session: Session, recording: RecordingRow, progress: Progress) -> dict[str, Any]:
    """Give a recording with the state of its job and the verdict of its newest analysis."""
    return recordings_values(session, [recording], progress)[0]


def recordings_values(
    session: Session, recordings: Sequence[RecordingRow], progress: Progress
) -> list[dict[str, Any]]:
    """Give recordings, each with the state of its job and the verdict of its newest analysis."""
    queued = _queued(session)
    return [
        {
            "recording": heard.recording.id,
            "file_name": heard.recording.file_name,
            "size_bytes": heard.recording.size_bytes,
            "sha256": heard.recording.sha256,
            "purpose": heard.recording.purpose,
            "steering": heard.recording.steering,
            "speed_rpm": heard.recording.speed_rpm,
            "received_at": heard.recording.received_at,
            "who": heard.recording.who,
            "verdict": heard.kind,
            "version": heard.version,
            "simulated": heard.simulated,
            "job": None
            if heard.job is None
            else job_values(heard.job, progress, bisect_left(queued, heard.job.id)),
        }
        for heard in heard_in_each(session, recordings)
    ]


def jobs_of(session: Session, case: CaseRow, progress: Progress) -> dict[str, Any]:
    """Give the jobs of a case and how many wait or run in the whole desk."""
    jobs = session.scalars(select(JobRow).where(JobRow.case_id == case.id).order_by(JobRow.id)).all()
    queued = _queued(session)
    told = [job_values(job, progress, bisect_left(queued, job.id)) for job in jobs]
    return {"jobs": told, "waiting": waiting(session)}


def job_values(job: JobRow, progress: Progress, ahead: int) -> dict[str, Any]:
    """Give how far one job is."""
    step = progress.get(job.id, {"step": "", "share": 0.0})
    return {
        "job": job.id,
        "kind": job.kind,
        "recording": job.recording_id,
        "comparison": job.comparison_id,
        "task": job.task_id,
        "state": job.state,
        "step": str(step["step"]) if job.state == "running" else "",
        "share": 1.0 if job.state == "done" else min(1.0, max(0.0, float(step["share"]))),
        "ahead": ahead if job.state == "queued" else 0,
        "refusal": refusal_in(job),
    }


def refusal_in(job: JobRow | None) -> dict[str, str] | None:
    """Give why a job gave nothing, where it did not."""
    if job is None or job.state != "failed" or not job.said:
        return None
    return refusal_texts(json.loads(job.said))


def refusal_texts(said: Mapping[str, Any] | None) -> dict[str, str] | None:
    """Give a stored refusal in the four words of every error."""
    return (
        None
        if said is None
        else {name: str(said.get(name, "")) for name in ("what", "got", "allowed", "todo")}
    )


def _queued(session: Session) -> Sequence[int]:
    """Give the jobs that wait, the first one first."""
    return session.scalars(select(JobRow.id).where(JobRow.state == "queued").order_by(JobRow.id)).all()


def analysis_values(row: AnalysisRow) -> dict[str, Any]:
    """Give a stored analysis: the numbers of ``audiodiag analyse --json``, and what the page draws."""
    result = json.loads(row.result)
    return {
        "recording": row.recording_id,
        "version": row.version,
        "made_at": row.made_at,
        "simulated": bool(result.get("simulated", False)),
        "outline": result.get("outline", []),
        "analysis": result["analysis"],
    }


def advice_values(session: Session, case: CaseRow, heard: Heard | None) -> dict[str, Any]:
    """Give the advice in a case as ``audiodiag advise --json`` prints it."""
    told = advice_for(session, case, heard).plain(case=case.title, moves=())
    return dict(json.loads(json.dumps(told, allow_nan=False)))


def answers_of(session: Session, case: CaseRow) -> list[dict[str, Any]]:
    """Give the answers to questions about the car."""
    rows = session.scalars(select(SeenRow).where(SeenRow.case_id == case.id).order_by(SeenRow.id))
    return [{"name": row.name, "answer": row.answer, "who": row.who, "at": row.at} for row in rows]


def notes_of(session: Session, case: CaseRow) -> list[dict[str, Any]]:
    """Give notes and answers of a case, the oldest first."""
    rows = session.scalars(select(NoteRow).where(NoteRow.case_id == case.id).order_by(NoteRow.id))
    return [
        {"note": row.id, "kind": row.kind, "text": row.text, "who": row.who, "at": row.at} for row in rows
    ]


def comparison_values(session: Session, row: ComparisonRow) -> dict[str, Any]:
    """Give a comparison, a bleed watch or a course over time, with its result once there is one."""
    job = session.scalar(
        select(JobRow).where(JobRow.comparison_id == row.id).order_by(JobRow.id.desc()).limit(1)
    )
    return {
        "comparison": row.id,
        "kind": row.kind,
        "before": json.loads(row.before),
        "after": json.loads(row.after),
        "one_phone": bool(json.loads(row.settings).get("one_phone")),
        "state": "done" if row.result else job.state if job else "failed",
        "refusal": refusal_in(job),
        "version": row.version,
        "made_at": row.made_at,
        "result": json.loads(row.result) if row.result else None,
    }
