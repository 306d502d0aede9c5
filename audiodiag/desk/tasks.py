"""What people ask the desk to make of a case: a report, a parcel, the parts of a clip; parcels that come in.

Each is a row with its options and a job of the queue; a worker does it, never the request.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.casework import plain_text
from audiodiag.desk.jobs import ask_for
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import CaseRow, FileRow, JobRow, RecordingRow, TaskRow
from audiodiag.desk.vault import shown_name
from audiodiag.errors import UsageError

__all__ = [
    "MOST_IN_PAPER",
    "Paper",
    "ask_parcel",
    "ask_parts",
    "ask_report",
    "ask_unpacking",
    "files_of_job",
    "papers_of",
    "parts_of",
]

MOST_IN_PAPER = 8
"""Recordings that one report or one parcel holds."""
LONGEST_NOTE = 5000


@dataclass(frozen=True)
class Paper:
    """A task with its job and its files: ``state`` queued, running, done or failed, and why it failed."""

    task: TaskRow
    job_id: int
    state: str
    refusal: dict[str, str] | None
    files: tuple[FileRow, ...]

    @property
    def settings(self) -> dict[str, Any]:
        """What was asked for."""
        return dict(json.loads(self.task.told))

    @property
    def result(self) -> dict[str, Any]:
        """What came of it; empty while nothing did."""
        return dict(json.loads(self.task.result)) if self.task.result else {}


def ask_report(
    session: Session,
    who: str,
    case: CaseRow,
    recordings: Sequence[int],
    *,
    language: str = "en",
    with_names: bool = False,
    without_speech: bool = False,
    most_waiting: int,
) -> TaskRow:
    """Ask for the report as one page in one file, in one language.

    ``with_names``: whether its data hold the names of the files. ``without_speech``: stretches in which
    somebody speaks are silenced first.
    """
    settings = {
        "recordings": _own(session, case, recordings),
        "language": _language(language),
        "with_names": with_names,
        "without_speech": without_speech,
    }
    return _asked(session, who, case, "report", settings, "asked for a report", most_waiting)


def ask_parcel(
    session: Session,
    who: str,
    case: CaseRow,
    recordings: Sequence[int],
    *,
    language: str = "en",
    note: str = "",
    as_flac: bool = False,
    without_speech: bool = False,
    most_waiting: int,
) -> TaskRow:
    """Ask for a parcel: recordings freed of all tags, their diagnosis and the report in one file to send."""
    settings = {
        "recordings": _own(session, case, recordings),
        "language": _language(language),
        "note": plain_text(note, "the note", most=LONGEST_NOTE),
        "as_flac": as_flac,
        "without_speech": without_speech,
    }
    return _asked(session, who, case, "parcel", settings, "asked for a parcel", most_waiting)


def ask_parts(
    session: Session, who: str, case: CaseRow, recording: RecordingRow, *, most_waiting: int
) -> TaskRow | None:
    """Ask for the parts of one recording to listen to; None where they are there or under way already."""
    if parts_of(session, recording) is not None:
        return None
    settings = {"recordings": [recording.id]}
    return _asked(session, who, case, "parts", settings, "", most_waiting, recording_id=recording.id)


def ask_unpacking(
    session: Session, who: str, case: CaseRow, *, sha256: str, file_name: str, most_waiting: int
) -> TaskRow:
    """Ask for a parcel in the vault to be checked to the byte, and its recordings to be taken in."""
    settings = {"sha256": sha256, "name": shown_name(file_name)}
    return _asked(session, who, case, "unpack", settings, "sent a parcel", most_waiting)


def papers_of(session: Session, case: CaseRow, kinds: Sequence[str]) -> list[Paper]:
    """Give the tasks of a case of these kinds, the newest first."""
    tasks = session.scalars(
        select(TaskRow).where(TaskRow.case_id == case.id, TaskRow.kind.in_(kinds)).order_by(TaskRow.id.desc())
    ).all()
    jobs = {
        job.task_id: job
        for job in session.scalars(
            select(JobRow).where(JobRow.task_id.in_([task.id for task in tasks])).order_by(JobRow.id)
        )
    }
    return [_paper(session, task, jobs[task.id]) for task in tasks if task.id in jobs]


def parts_of(session: Session, recording: RecordingRow) -> Paper | None:
    """Give the newest task that splits this recording; one that failed counts as none."""
    job = session.scalar(
        select(JobRow)
        .where(JobRow.recording_id == recording.id, JobRow.kind == "parts", JobRow.state != "failed")
        .order_by(JobRow.id.desc())
        .limit(1)
    )
    return _paper(session, session.get_one(TaskRow, job.task_id), job) if job is not None else None


def files_of_job(session: Session, job_id: int) -> tuple[FileRow, ...]:
    """Give the files that one job made, in the order in which its worker named them."""
    return tuple(session.scalars(select(FileRow).where(FileRow.job_id == job_id).order_by(FileRow.id)))


def _paper(session: Session, task: TaskRow, job: JobRow) -> Paper:
    refusal = dict(json.loads(job.said)) if job.state == "failed" and job.said else None
    return Paper(task, job.id, job.state, refusal, files_of_job(session, job.id))


def _asked(
    session: Session,
    who: str,
    case: CaseRow,
    kind: str,
    settings: dict[str, Any],
    said: str,
    most_waiting: int,
    *,
    recording_id: int | None = None,
) -> TaskRow:
    task = TaskRow(case_id=case.id, kind=kind, told=json.dumps(settings), who=who, made_at=time.time())
    session.add(task)
    session.flush()
    ask_for(session, kind, case.id, task_id=task.id, recording_id=recording_id, most_waiting=most_waiting)
    if said:
        record_deed(session, who, said, case_id=case.id, details=f"task {task.id}")
    return task


def _own(session: Session, case: CaseRow, recordings: Sequence[int]) -> list[int]:
    """Give the chosen recordings once each; they must be the case's."""
    own = set(session.scalars(select(RecordingRow.id).where(RecordingRow.case_id == case.id)))
    chosen = list(dict.fromkeys(recordings))
    if not 1 <= len(chosen) <= MOST_IN_PAPER or not set(chosen) <= own:
        raise UsageError(
            "these recordings cannot be put together",
            got=f"{len(chosen)} recordings",
            allowed=f"1 to {MOST_IN_PAPER} recordings of this case",
            todo="tick at least one recording of this case",
        )
    return chosen


def _language(language: str) -> str:
    from audiodiag.report.language import load_sentences

    return load_sentences(language).language
