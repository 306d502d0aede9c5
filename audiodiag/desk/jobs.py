"""Jobs as they stand in the database: asked for, taken, ended; taken up again after a crash."""

from __future__ import annotations

import hashlib
import json
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import case as sql_case
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from audiodiag.desk.settings import NOBODY
from audiodiag.desk.store import Store, record_deed
from audiodiag.desk.tables import (
    AnalysisRow,
    CarRow,
    CaseRow,
    ComparisonRow,
    FileRow,
    JobRow,
    RecordingRow,
    SeenRow,
    TaskRow,
)
from audiodiag.errors import UsageError

__all__ = [
    "CAR_FIELDS",
    "Attempt",
    "Made",
    "ask_for",
    "end_with_failure",
    "end_with_result",
    "give_back",
    "queue_again_what_ran",
    "take_next",
    "waiting",
]

CAR_FIELDS = (
    "cylinders",
    "pump_ratio",
    "vanes",
    "crank_pulley_mm",
    "pump_pulley_mm",
    "belt_length_mm",
)
"""What of a car is told to the analysis."""
_DONE = {
    "listen": "listened",
    "compare": "compared",
    "report": "made a report",
    "parcel": "made a parcel",
    "bleed": "watched the bleeding",
    "trend": "followed the sounds over time",
    "unpack": "opened a parcel",
}
_REFUSED = {"listen": "could not be listened to", "unpack": "refused a parcel"}


@dataclass(frozen=True)
class Attempt:
    """One attempt at one job: what a worker is told.

    settings: those of a bleed watch, a course or a task. seen: answers about the car. life: its age, mileage
    and renewed parts. sender: a mark of who sent a recording to which case, alike for all of one sender's in
    one case; ``-`` for what is no listening.
    """

    job_id: int
    token: str
    kind: str
    recordings: tuple[dict[str, Any], ...]
    car: dict[str, Any]
    settings: dict[str, Any] = field(default_factory=dict)
    seen: dict[str, str] = field(default_factory=dict)
    life: dict[str, Any] = field(default_factory=dict)
    sender: str = NOBODY


@dataclass(frozen=True)
class Made:
    """A file that a worker made and that lies in the vault; ``recording`` where it came out of a parcel."""

    name: str
    media: str
    sha256: str
    size_bytes: int
    recording: bool = False


def waiting(session: Session) -> int:
    """Count the jobs that wait or run."""
    return len(session.scalars(select(JobRow.id).where(JobRow.state.in_(("queued", "running")))).all())


def ask_for(
    session: Session,
    kind: str,
    case_id: int,
    *,
    recording_id: int | None = None,
    comparison_id: int | None = None,
    task_id: int | None = None,
    most_waiting: int,
) -> JobRow:
    """Put a job at the end of the queue, in the caller's transaction.

    Raises ``UsageError`` where too many wait already.
    """
    already = waiting(session)
    if already >= most_waiting:
        raise UsageError(
            "too many recordings wait for their turn",
            got=f"{already} waiting",
            allowed=f"at most {most_waiting}",
            todo="come back when some of them are done",
        )
    job = JobRow(
        kind=kind,
        case_id=case_id,
        recording_id=recording_id,
        comparison_id=comparison_id,
        task_id=task_id,
        made_at=time.time(),
    )
    session.add(job)
    session.flush()
    return job


def queue_again_what_ran(store: Store) -> int:
    """Take up what a killed server left running; gives how many jobs.

    The attempt that was cut off does not count: what ended the server was not the recording, which only
    bounded workers open.
    """
    with store.writing() as session:
        cut_off = session.scalars(select(JobRow).where(JobRow.state == "running")).all()
        for job in cut_off:
            job.state, job.token, job.attempts = "queued", "", max(0, job.attempts - 1)
        return len(cut_off)


def give_back(store: Store, attempt: Attempt) -> None:
    """Put a job that no worker had begun back to its place; the attempt does not count."""
    with store.writing() as session:
        job = _still_ours(session, attempt)
        if job is not None:
            job.state, job.token, job.attempts = "queued", "", max(0, job.attempts - 1)


def take_next(store: Store) -> Attempt | None:
    """Take the oldest waiting job, what a person waits for before the listening; None where none waits."""
    with store.reading() as session:
        if session.scalar(select(JobRow.id).where(JobRow.state == "queued").limit(1)) is None:
            return None
    with store.writing() as session:
        later = sql_case((JobRow.kind == "listen", 1), else_=0)
        job = session.scalar(
            select(JobRow).where(JobRow.state == "queued").order_by(later, JobRow.id).limit(1)
        )
        if job is None:
            return None
        job.state, job.token = "running", secrets.token_hex(12)
        job.attempts += 1
        job.started_at = time.time()
        case = session.get_one(CaseRow, job.case_id)
        car = session.get_one(CarRow, case.car_id)
        settings = _settings(session, job)
        seen = session.scalars(select(SeenRow).where(SeenRow.case_id == case.id)).all() if job.task_id else []
        return Attempt(
            job_id=job.id,
            token=job.token,
            kind=job.kind,
            recordings=_recordings(session, job, settings),
            car={each: getattr(car, each) for each in CAR_FIELDS},
            settings=settings,
            seen={row.name: row.answer for row in seen},
            life={"age_years": car.age_years, "mileage_km": car.mileage_km, "renewed": car.renewed},
            sender=_sender(session, job),
        )


def _sender(session: Session, job: JobRow) -> str:
    if job.kind != "listen":
        return NOBODY
    who = session.get_one(RecordingRow, job.recording_id).who
    return hashlib.sha256(f"{job.case_id} {who}".encode()).hexdigest()[:24]


def _settings(session: Session, job: JobRow) -> dict[str, Any]:
    if job.kind == "listen":
        return {}
    if job.task_id is not None:
        return dict(json.loads(session.get_one(TaskRow, job.task_id).told))
    return dict(json.loads(session.get_one(ComparisonRow, job.comparison_id).settings))


def _recordings(session: Session, job: JobRow, settings: dict[str, Any]) -> tuple[dict[str, Any], ...]:
    if job.kind == "listen":
        sides = [("", job.recording_id)]
    elif job.task_id is not None:
        sides = [("", each) for each in settings.get("recordings", ())]
    else:
        comparison = session.get_one(ComparisonRow, job.comparison_id)
        sides = [
            (side, each) for side in ("before", "after") for each in json.loads(getattr(comparison, side))
        ]
    told = []
    for side, recording_id in sides:
        recording = session.get_one(RecordingRow, recording_id)
        told.append(
            {
                "side": side,
                "sha256": recording.sha256,
                "name": recording.file_name,
                "steering": recording.steering,
                "speed_rpm": recording.speed_rpm,
            }
        )
    return tuple(told)


def end_with_result(
    store: Store,
    attempt: Attempt,
    result: dict[str, Any],
    *,
    version: str,
    made: Sequence[Made] = (),
    also: Callable[[Session, CaseRow], None] | None = None,
) -> bool:
    """Keep a result and its files, and end the job, together; False where the attempt is no longer valid.

    ``also``: what else belongs into the same transaction.
    """
    now = time.time()
    with store.writing() as session:
        job = _still_ours(session, attempt)
        if job is None:
            return False
        refusal = result.get("refusal")
        job.state = "failed" if refusal else "done"
        job.said = json.dumps(refusal) if refusal else ""
        job.ended_at = now
        if not refusal and attempt.kind == "listen":
            session.add(
                AnalysisRow(
                    recording_id=job.recording_id,
                    version=version,
                    made_at=now,
                    verdict=result["analysis"]["verdict"]["kind"],
                    result=json.dumps(result),
                )
            )
        elif not refusal and job.comparison_id is not None:
            comparison = session.get_one(ComparisonRow, job.comparison_id)
            comparison.result, comparison.version = json.dumps(result["comparison"]), version
        elif not refusal:
            task = session.get_one(TaskRow, job.task_id)
            task.result, task.version = json.dumps(result.get("told", {})), version
        for each in () if refusal else made:
            if not each.recording:
                session.add(
                    FileRow(
                        case_id=job.case_id,
                        job_id=job.id,
                        name=each.name,
                        media=each.media,
                        sha256=each.sha256,
                        size_bytes=each.size_bytes,
                        made_at=now,
                    )
                )
        if also is not None and not refusal:
            also(session, session.get_one(CaseRow, job.case_id))
        if attempt.kind == "parts" and not refusal:
            return True  # nothing that anyone must read
        session.execute(update(CaseRow).where(CaseRow.id == job.case_id).values(changed_at=now))
        what = _DONE[attempt.kind] if not refusal else _REFUSED.get(attempt.kind, "could not do it")
        record_deed(session, "desk", what, case_id=job.case_id, details=f"job {job.id}")
        return True


def end_with_failure(store: Store, attempt: Attempt, refusal: dict[str, str], *, attempts: int) -> bool:
    """End an attempt that gave nothing; the job waits again while attempts are left. True where it does."""
    with store.writing() as session:
        job = _still_ours(session, attempt)
        if job is None:
            return False
        again = job.attempts < attempts
        job.state, job.token = ("queued" if again else "failed"), ""
        job.said = json.dumps(refusal)
        job.ended_at = time.time()
        record_deed(session, "desk", "a worker failed", case_id=job.case_id, details=refusal["got"])
        return again


def _still_ours(session: Session, attempt: Attempt) -> JobRow | None:
    """Give the job if this attempt is the valid one; a late worker of an earlier server changes nothing."""
    job = session.get(JobRow, attempt.job_id)
    return job if job is not None and job.state == "running" and job.token == attempt.token else None
