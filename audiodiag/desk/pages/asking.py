"""One request as the pages take it: the visitor, the form, the case; and what becomes of refusals."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from audiodiag.desk.once import Once
from audiodiag.desk.pages.templates import rendered, said_words
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.tables import CaseRow, RecordingRow
from audiodiag.desk.visitors import Visitor, session_of, visitor_of
from audiodiag.errors import AudiodiagError

__all__ = ["Ask", "answered_by", "case_of", "enter", "go_to", "page", "recording_of", "visitor_at"]

MOST_FIELDS = 200
LONGEST_MARK = 64


@dataclass(frozen=True)
class Ask:
    """A request of a known visitor; ``form`` holds the last value of each field, ``many`` all of them."""

    room: DeskRoom
    request: Request
    visitor: Visitor
    form: dict[str, str]
    many: dict[str, list[str]]

    @property
    def who(self) -> str:
        """The visitor's name, as deeds are written down with it."""
        return self.visitor.name


Handler = Callable[[Ask], Response]
Endpoint = Callable[[Request], Awaitable[Response]]


def answered_by(handler: Handler, *, advisor: bool = False) -> Endpoint:
    """Make an endpoint of a handler: only known visitors, only advisors where said; refusals in words."""

    async def endpoint(request: Request) -> Response:
        room: DeskRoom = request.app.state.room
        visitor = await run_in_threadpool(visitor_at, room, request)
        if visitor is None:
            return RedirectResponse("/enter", status_code=303)
        if advisor and not visitor.advisor:
            raise HTTPException(404)
        many: dict[str, list[str]] = {}
        if request.method == "POST":
            limits = room.settings.limits
            if not room.rates.allows(
                "post", _guest(request, visitor), most=limits.posts_a_minute, within_s=60
            ):
                raise HTTPException(429)
            many = _texts(await request.form(max_files=0, max_fields=MOST_FIELDS))
        marks = many.pop("once", [])
        form = {name: values[-1] for name, values in many.items()}
        ask = Ask(room, request, visitor, form, many)

        async def do() -> Response:
            try:
                return await run_in_threadpool(handler, ask)
            except AudiodiagError as error:
                return _refused(ask, error)

        if not marks:
            return await do()
        once: Once = request.app.state.once
        return await once.answer((_guest(request, visitor), request.url.path, marks[-1][:LONGEST_MARK]), do)

    return endpoint


def visitor_at(room: DeskRoom, request: Request) -> Visitor | None:
    """Give the visitor of a request by their cookie."""
    return visitor_of(room.signer, room.store, request.cookies.get(room.settings.cookie))


def enter(room: DeskRoom, visitor: Visitor, path: str) -> Response:
    """Send a visitor on with a session of theirs."""
    answer = RedirectResponse(path, status_code=303)
    answer.set_cookie(
        room.settings.cookie,
        session_of(room.signer, visitor),
        httponly=True,
        samesite="lax",
        secure=room.settings.tls,
        max_age=14 * 86400,
        path="/",
    )
    return answer


def page(ask: Ask, template: str, *, here: str, **values: Any) -> Response:
    """Give a page to a visitor."""
    said = said_words(ask.request.query_params.get("said"))
    return HTMLResponse(
        rendered(template, visitor=ask.visitor, here=here, said=said, share=ask.room.settings.share, **values)
    )


def go_to(path: str, said: str = "") -> Response:
    """Send the browser on after something was done, so that a reload does not do it again."""
    return RedirectResponse(f"{path}?said={quote(said)}" if said else path, status_code=303)


def case_of(ask: Ask, session: Session) -> CaseRow:
    """Give the case of the address; what is not the visitor's looks like what is not there."""
    case = session.scalar(select(CaseRow).where(CaseRow.key == ask.request.path_params["key"]))
    if case is None or not ask.visitor.may_see(case.id):
        raise HTTPException(404)
    return case


def recording_of(ask: Ask, session: Session, case: CaseRow) -> RecordingRow:
    """Give the recording of the address, which must belong to the case."""
    recording = session.get(RecordingRow, ask.request.path_params["recording"])
    if recording is None or recording.case_id != case.id:
        raise HTTPException(404)
    return recording


def _texts(form: FormData) -> dict[str, list[str]]:
    many: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            many.setdefault(name, []).append(value)
    return many


def _guest(request: Request, visitor: Visitor) -> str:
    return f"{request.client.host if request.client else ''} {visitor.role} {visitor.links}"


def _refused(ask: Ask, error: AudiodiagError) -> Response:
    return HTMLResponse(
        rendered("refused.html", visitor=ask.visitor, here="", said=None, error=error), status_code=422
    )
