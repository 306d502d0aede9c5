"""Calls about what is heard in a recording: its state, its numbers, its sound, marks and judgements."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from starlette.responses import FileResponse

from audiodiag.desk.api.asked import Asked, RefusalError, not_there
from audiodiag.desk.api.views import (
    analysis_values,
    jobs_of,
    recording_values,
    recordings_of,
    recordings_values,
)
from audiodiag.desk.casework import judge, mark_stretch, remove_mark
from audiodiag.desk.labelling import write_labels
from audiodiag.desk.tables import AnalysisRow, LabelRow, MarkRow, RecordingRow, VerdictRow
from audiodiag.records import SYMPTOMS

__all__ = [
    "analysis", "jobs", "judged", "judgement", "mark_removed", "marks", "new_mark", "one_recording",
    "recordings", "sound",
]  # fmt: skip


def jobs(asked: Asked) -> dict[str, Any]:
    """Read how far the desk is with a case."""
    progress = asked.room.workforce.progress()
    with asked.room.store.reading() as session:
        return jobs_of(session, asked.case(session), progress)


def recordings(asked: Asked) -> dict[str, Any]:
    """List the recordings of a case in the order in which they came."""
    progress = asked.room.workforce.progress()
    with asked.room.store.reading() as session:
        rows = recordings_of(session, asked.case(session))
        return {"recordings": recordings_values(session, rows, progress)}


def one_recording(asked: Asked) -> dict[str, Any]:
    """Read one recording and how far the desk is with it."""
    progress = asked.room.workforce.progress()
    with asked.room.store.reading() as session:
        return recording_values(session, asked.recording(session, asked.case(session)), progress)


def analysis(asked: Asked) -> dict[str, Any]:
    """Read what was heard, with the numbers that ``audiodiag analyse --json`` prints."""
    with asked.room.store.reading() as session:
        recording = asked.recording(session, asked.case(session))
        row = session.scalar(
            select(AnalysisRow)
            .where(AnalysisRow.recording_id == recording.id)
            .order_by(AnalysisRow.id.desc())
            .limit(1)
        )
    if row is None:
        raise _not_yet(recording)
    return analysis_values(row)


def sound(asked: Asked) -> FileResponse:
    """Hear the recording as a browser plays it; pieces may be asked for with ``Range``."""
    with asked.room.store.reading() as session:
        recording = asked.recording(session, asked.case(session))
    path = asked.room.vault.sound_of(recording.sha256)
    if not path.is_file():
        raise _not_yet(recording)
    return FileResponse(path, media_type="audio/flac", headers={"Cache-Control": "private, max-age=86400"})


def _not_yet(recording: RecordingRow) -> RefusalError:
    return RefusalError(
        404,
        "this recording was not listened to yet, or could not be",
        got=f"recording {recording.id}",
        allowed="a recording whose job is done",
        todo="ask for its job, and wait until it is done",
    )


def marks(asked: Asked) -> dict[str, Any]:
    """Read the stretches in which people hear a sound."""
    with asked.room.store.reading() as session:
        recording = asked.recording(session, asked.case(session))
        rows = session.scalars(
            select(MarkRow).where(MarkRow.recording_id == recording.id).order_by(MarkRow.start_s, MarkRow.id)
        ).all()
    return {"marks": [_mark(row) for row in rows]}


def new_mark(asked: Asked) -> dict[str, Any]:
    """Mark a stretch with the sound that is heard there."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        recording = asked.recording(session, case)
        start_s, end_s = (repr(asked.body[name]) for name in ("start_s", "end_s"))
        row = mark_stretch(session, asked.who, case, recording, asked.body["symptom"], start_s, end_s)
    return _mark(row)


def mark_removed(asked: Asked) -> None:
    """Take a mark away."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        recording = asked.recording(session, case)
        mark = session.get(MarkRow, asked.path["mark"])
        if mark is None or mark.recording_id != recording.id:
            raise not_there("mark", asked.path["mark"])
        remove_mark(session, asked.who, case, recording, mark.id)


def _mark(row: MarkRow) -> dict[str, Any]:
    return {
        "mark": row.id,
        "symptom": row.symptom,
        "start_s": row.start_s,
        "end_s": row.end_s,
        "who": row.who,
        "at": row.at,
    }


def judgement(asked: Asked) -> dict[str, str]:
    """Read what people judged of the six sounds and of the whole; empty where nobody is sure."""
    with asked.room.store.reading() as session:
        recording = asked.recording(session, asked.case(session))
        rows = session.scalars(select(LabelRow).where(LabelRow.recording_id == recording.id)).all()
        verdict = session.scalar(select(VerdictRow.verdict).where(VerdictRow.recording_id == recording.id))
    judged = {name: next((row.judged for row in rows if row.symptom == name), "") for name in SYMPTOMS}
    return {**judged, "verdict": verdict or ""}


def judged(asked: Asked) -> dict[str, str]:
    """Correct the verdict: all six sounds anew, and the whole; the corrections become labels for training."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        recording = asked.recording(session, case)
        verdict = asked.body.get("verdict", "")
        judge(session, asked.who, case, recording, asked.body, verdict=verdict)
        session.flush()
        write_labels(session, asked.room.vault, asked.room.labels_folder, recording)
    return judgement(asked)
