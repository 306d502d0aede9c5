"""Recordings come in, sounds and progress go out: what the page's scripts speak with, as JSON.

``PUT /api/cases/KEY/recordings`` takes the bytes themselves and answers only when they are on the disk.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from audiodiag.desk.casework import add_recording, open_case
from audiodiag.desk.pages.asking import Ask, case_of, go_to, recording_of, visitor_at
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.tables import CaseRow, JobRow, RecordingRow
from audiodiag.desk.vault import Incoming
from audiodiag.desk.visitors import Visitor
from audiodiag.errors import AudiodiagError, ClipError

__all__ = ["new_case_json", "progress", "receive_form", "receive_raw", "sound"]

BLOCK = 1 << 20
FIELDS = ("purpose", "steering", "speed_rpm")


async def receive_raw(request: Request) -> Response:
    """Take one recording as the body of the request; its name and purpose stand in the address."""
    room, visitor, case = await _admitted(request)
    told = {field: request.query_params.get(field, "") for field in FIELDS}
    name = request.query_params.get("name", "recording")
    try:
        with room.vault.incoming() as arriving:
            async for block in request.stream():
                await run_in_threadpool(arriving.write, block)
            recording = await run_in_threadpool(_keep, room, visitor, case, arriving, name, told)
    except AudiodiagError as error:
        said = {"error": error.what, "got": error.got, "allowed": error.allowed, "todo": error.todo}
        return JSONResponse(said, status_code=422)
    return JSONResponse({"recording": recording.id, "sha256": recording.sha256}, status_code=201)


async def receive_form(request: Request) -> Response:
    """Take one recording from a form, for browsers without scripts."""
    room, visitor, case = await _admitted(request)
    async with request.form(max_files=1, max_fields=10) as form:
        upload = form.get("recording")
        if not isinstance(upload, UploadFile):
            raise HTTPException(400)
        told = {field: str(form.get(field, "")) for field in FIELDS}
        try:
            with room.vault.incoming() as arriving:
                while block := await upload.read(BLOCK):
                    await run_in_threadpool(arriving.write, block)
                name = upload.filename or "recording"
                await run_in_threadpool(_keep, room, visitor, case, arriving, name, told)
        except AudiodiagError as error:
            from starlette.responses import HTMLResponse

            from audiodiag.desk.pages.templates import rendered

            text = rendered("refused.html", visitor=visitor, here="", said=None, error=error)
            return HTMLResponse(text, status_code=422)
    return go_to(f"/cases/{case.key}", "received")


def _keep(
    room: DeskRoom, visitor: Visitor, case: CaseRow, arriving: Incoming, name: str, told: dict[str, str]
) -> RecordingRow:
    """Put the bytes under their hash, then write the recording down; only then it is acknowledged."""
    if arriving.size_bytes == 0:
        raise ClipError(
            "the recording is empty",
            got="0 bytes",
            allowed="a recording of a phone",
            todo="choose the file again, or record again",
        )
    limits = room.settings.limits
    sha256 = arriving.keep()
    with room.store.writing() as session:
        recording = add_recording(
            session,
            visitor.name,
            session.get_one(CaseRow, case.id),
            sha256=sha256,
            size_bytes=arriving.size_bytes,
            file_name=name,
            most_in_case=limits.recordings_a_case,
            most_waiting=limits.waiting_jobs,
            **told,
        )
    room.workforce.wake()
    return recording


async def _admitted(request: Request) -> tuple[DeskRoom, Visitor, CaseRow]:
    """Let in who may send to this case, and only so often."""
    room: DeskRoom = request.app.state.room
    visitor = await run_in_threadpool(visitor_at, room, request)
    if visitor is None:
        raise HTTPException(401)
    ask = Ask(room, request, visitor, {}, {})

    def find() -> CaseRow:
        with room.store.reading() as session:
            return case_of(ask, session)

    case = await run_in_threadpool(find)
    most = room.settings.limits.uploads_an_hour
    guest = f"{visitor.role} {visitor.links} {request.client.host if request.client else ''}"
    if not room.rates.allows("upload", guest, most=most, within_s=3600):
        raise HTTPException(429)
    return room, visitor, case


def new_case_json(ask: Ask) -> Response:
    """Open a case of one field, ``title``; for many files dropped at once."""
    with ask.room.store.writing() as session:
        case = open_case(session, ask.who, title=ask.form.get("title", ""))
    return JSONResponse({"key": case.key}, status_code=201)


def progress(ask: Ask) -> Response:
    """Tell how far the jobs of a case are."""
    under_way = ask.room.workforce.progress()
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        jobs = session.scalars(select(JobRow).where(JobRow.case_id == case.id).order_by(JobRow.id)).all()
        before = session.scalars(select(JobRow.id).where(JobRow.state == "queued")).all()
    told: list[dict[str, Any]] = []
    for job in jobs:
        step = under_way.get(job.id, {"step": "", "share": 0.0})
        ahead = sum(other < job.id for other in before)
        told.append(
            {
                "job": job.id,
                "recording": job.recording_id,
                "kind": job.kind,
                "state": job.state,
                "step": step["step"],
                "share": step["share"],
                "ahead": ahead if job.state == "queued" else 0,
            }
        )
    return JSONResponse({"jobs": told})


def sound(ask: Ask) -> Response:
    """Give the sound of a recording as a browser plays it, in pieces where it asks for them."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
    path = ask.room.vault.sound_of(recording.sha256)
    if not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, media_type="audio/flac", headers={"Cache-Control": "private, max-age=86400"})
