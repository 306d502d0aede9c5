"""Calls by which recordings and parcels come in: at once, or in pieces that go on where the line was cut.

An answer that says that a recording is kept is given only when it is on the disk.
"""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import ClientDisconnect, Request

from audiodiag.desk.api.asked import Asked, RefusalError, not_there
from audiodiag.desk.api.shape import NO_TEXT, Shape, misfit, value_of_text
from audiodiag.desk.arrived import PARCEL_START
from audiodiag.desk.casework import add_recording, refuse_odd_telling
from audiodiag.desk.resuming import Upload
from audiodiag.desk.tables import CaseRow
from audiodiag.desk.tasks import ask_unpacking
from audiodiag.errors import ClipError, UsageError

__all__ = ["TOLD", "drop_upload", "new_upload", "one_upload", "piece", "receive"]

BLOCK = 1 << 20
TOLD: dict[str, Shape] = {
    "purpose": {"enum": ["", "before", "after"], "description": "made before or after the work"},
    "steering": {
        "type": "string", "maxLength": 2000,
        "description": "what the wheel did, such as: centre 0-2, turning 2-6, stop 6-8",
    },
    "speed_rpm": {
        "type": "number", "minimum": 200, "maximum": 9000, "description": "steady engine speed, where known",
    },
}  # fmt: skip
"""What may be told of a recording when it is sent."""


async def receive(asked: Asked, request: Request) -> dict[str, Any]:
    """Send a recording, or a parcel, as the body itself or as the field ``recording`` of a form."""
    room = asked.room
    case_id = await run_in_threadpool(_case_id, asked)
    with await run_in_threadpool(room.vault.incoming) as arriving:
        if _media(request) == "multipart/form-data":
            async with request.form(max_files=1, max_fields=10, max_part_size=10_000) as form:
                upload = form.get("recording")
                if not isinstance(upload, UploadFile):
                    raise _refused(400, "the form holds no file", "no field recording with a file")
                told = _told_in(form.multi_items())
                name = upload.filename or "recording"
                while block := await upload.read(BLOCK):
                    await run_in_threadpool(arriving.write, block)
        else:
            told, name = asked.query, asked.query.get("name", "recording")
            async for block in request.stream():
                await run_in_threadpool(arriving.write, block)
        first = arriving.first

        def keep() -> dict[str, Any]:
            _refuse_empty(arriving.size_bytes)
            sha256 = arriving.keep()
            return _written_down(asked, case_id, sha256, arriving.size_bytes, name, first, told)

        return await run_in_threadpool(keep)


def _told_in(form: list[tuple[str, Any]]) -> dict[str, Any]:
    """Give the fields of a form, held against the shapes of the address; empty ones say nothing."""
    told: dict[str, Any] = {}
    names = [name for name, _ in form]
    for name, said in form:
        if name == "recording" and names.count(name) == 1:
            continue
        if name not in TOLD or names.count(name) > 1 or not isinstance(said, str):
            raise _refused(400, "the form holds what is not taken", f"the field {name[:60]}")
        if said == "":
            continue
        value = value_of_text(said, TOLD[name])
        wrong = misfit(None if value is NO_TEXT else value, TOLD[name], name)
        if wrong is not None:
            raise RefusalError(
                400, f"{name} cannot be used", got=said[:80], allowed=wrong.allowed, todo="correct it"
            )
        told[name] = value
    return told


def new_upload(asked: Asked) -> dict[str, Any]:
    """Announce a recording that will come in pieces; an upload that does not go on is kept for a day."""
    limits, body = asked.room.settings.limits, asked.body
    if body["size_bytes"] > limits.upload_bytes:
        raise RefusalError(
            413,
            "the recording is too large",
            got=f"{body['size_bytes']} bytes",
            allowed=f"at most {limits.upload_bytes} bytes",
            todo="send a shorter stretch, 10 to 60 seconds are enough",
        )
    asked.room.vault.refuse_full_disk()
    told = {name: str(body[name]) for name in TOLD if name in body}
    refuse_odd_telling(**told)
    upload = asked.room.resuming.begin(_case_id(asked), body["name"], body["size_bytes"], **told)
    return _upload(asked, upload)


def one_upload(asked: Asked) -> dict[str, Any]:
    """Read how much of a recording has arrived."""
    return _upload(asked, _found(asked))


def drop_upload(asked: Asked) -> None:
    """Throw away what has come of an upload; a recording that is kept stays."""
    asked.room.resuming.drop(_found(asked))


async def piece(asked: Asked, request: Request) -> dict[str, Any]:
    """Send the next piece as the body; with the last one the recording is kept."""
    room = asked.room
    upload = await run_in_threadpool(_found, asked)
    if not request.headers.get("content-length", ""):
        raise RefusalError(
            411,
            "a piece must say how long it is",
            got="no Content-Length",
            allowed="a body with its Content-Length",
            todo="send the piece with its length, so that a cut one is noticed",
        )
    await run_in_threadpool(room.vault.refuse_full_disk)
    try:
        taken = await run_in_threadpool(room.resuming.piece, upload, asked.query["offset"])
    except UsageError as error:
        raise RefusalError(409, error.what, got=error.got, allowed=error.allowed, todo=error.todo) from error
    with taken:
        try:
            async for block in request.stream():
                await run_in_threadpool(taken.write, block)
        except ClientDisconnect:
            pass  # what has come stays; nobody is there to be answered
        whole = taken.close() == upload.size_bytes
        return await run_in_threadpool(_finish, asked, upload) if whole else _upload(asked, upload)


def _finish(asked: Asked, upload: Upload) -> dict[str, Any]:
    """Put the whole recording under its hash and write it down; a refused one is thrown away."""
    room = asked.room
    path = room.resuming.bytes_of(upload)
    with path.open("rb") as file:
        first = file.read(4)
    told = {"purpose": upload.purpose, "steering": upload.steering, "speed_rpm": upload.speed_rpm}
    _refuse_empty(upload.size_bytes)
    sha256, size_bytes = room.vault.take_in(path, recording=True)
    try:
        kept = _written_down(asked, upload.case_id, sha256, size_bytes, upload.file_name, first, told)
    except Exception:
        room.resuming.drop(upload)
        raise
    return _upload(asked, room.resuming.kept(upload, kept["recording"], kept["task"]))


def _written_down(
    asked: Asked, case_id: int, sha256: str, size_bytes: int, name: str, first: bytes, told: dict[str, Any]
) -> dict[str, Any]:
    """Write down what lies in the vault, and put it into the queue; only then it is acknowledged."""
    limits = asked.room.settings.limits
    recording = task = None
    with asked.room.store.writing() as session:
        case = session.get_one(CaseRow, case_id)
        if first == PARCEL_START:
            task = ask_unpacking(
                session, asked.who, case, sha256=sha256, file_name=name, most_waiting=limits.waiting_jobs
            ).id
        else:
            recording = add_recording(
                session,
                asked.who,
                case,
                sha256=sha256,
                size_bytes=size_bytes,
                file_name=name,
                most_in_case=limits.recordings_a_case,
                most_waiting=limits.waiting_jobs,
                **{each: str(told[each]) for each in TOLD if each in told},
            ).id
    asked.room.workforce.wake()
    return {"recording": recording, "task": task, "sha256": sha256, "size_bytes": size_bytes}


def _case_id(asked: Asked) -> int:
    with asked.room.store.reading() as session:
        return asked.case(session).id


def _found(asked: Asked) -> Upload:
    upload = asked.room.resuming.find(asked.path["upload"], _case_id(asked))
    if upload is None:
        raise not_there("upload", asked.path["upload"])
    return upload


def _upload(asked: Asked, upload: Upload) -> dict[str, Any]:
    return {
        "upload": upload.key,
        "file_name": upload.file_name,
        "size_bytes": upload.size_bytes,
        "received_bytes": asked.room.resuming.received(upload),
        "recording": upload.recording,
        "task": upload.task,
    }


def _media(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def _refuse_empty(size_bytes: int) -> None:
    if size_bytes == 0:
        raise ClipError(
            "the recording is empty",
            got="0 bytes",
            allowed="a recording of a phone",
            todo="choose the file again, or record again",
        )


def _refused(code: int, what: str, got: str) -> RefusalError:
    return RefusalError(
        code,
        what,
        got=got,
        allowed=f"one file in the field recording, and once each {', '.join(TOLD)}",
        todo="send the form with these fields only",
    )
