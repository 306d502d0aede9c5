"""Recordings come in by a form, for browsers without scripts, and sounds go out; scripts use the calls."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from audiodiag.desk.arrived import PARCEL_START
from audiodiag.desk.casework import add_recording
from audiodiag.desk.pages.asking import Ask, case_of, go_to, recording_of, visitor_at
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.tables import CaseRow
from audiodiag.desk.tasks import ask_unpacking
from audiodiag.desk.vault import Incoming
from audiodiag.desk.visitors import Visitor
from audiodiag.errors import AudiodiagError, ClipError

__all__ = ["receive_form", "sound"]

BLOCK = 1 << 20
FIELDS = ("purpose", "steering", "speed_rpm")


async def receive_form(request: Request) -> Response:
    """Take one recording or parcel from a form, for browsers without scripts."""
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
                place = await run_in_threadpool(_keep, room, visitor, case, arriving, name, told)
        except AudiodiagError as error:
            from starlette.responses import HTMLResponse

            from audiodiag.desk.pages.templates import rendered

            text = rendered("refused.html", visitor=visitor, here="", said=None, error=error)
            return HTMLResponse(text, status_code=422)
    return go_to(*place)


def _keep(
    room: DeskRoom, visitor: Visitor, case: CaseRow, arriving: Incoming, name: str, told: dict[str, str]
) -> tuple[str, str]:
    """Put the bytes under their hash, then write the recording or parcel down; only then it is acknowledged.

    Gives where to look at it, and in which words.
    """
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
        row = session.get_one(CaseRow, case.id)
        if arriving.first == PARCEL_START:
            ask_unpacking(
                session, visitor.name, row, sha256=sha256, file_name=name, most_waiting=limits.waiting_jobs
            )
            place = (f"/cases/{case.key}/papers", "parcel")
        else:
            add_recording(
                session,
                visitor.name,
                row,
                sha256=sha256,
                size_bytes=arriving.size_bytes,
                file_name=name,
                most_in_case=limits.recordings_a_case,
                most_waiting=limits.waiting_jobs,
                **told,
            )
            place = (f"/cases/{case.key}", "received")
    room.workforce.wake()
    return place


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


def sound(ask: Ask) -> Response:
    """Give the sound of a recording as a browser plays it, in pieces where it asks for them."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
    path = ask.room.vault.sound_of(recording.sha256)
    if not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, media_type="audio/flac", headers={"Cache-Control": "private, max-age=86400"})
