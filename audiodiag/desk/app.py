"""The desk as one application: which address leads to which page, and the guard before all of them."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware.exceptions import ExceptionMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from audiodiag.desk.api.calls import PREFIX
from audiodiag.desk.api.door import ApiDoor
from audiodiag.desk.findings import advice_of
from audiodiag.desk.guard import Guard, refusal
from audiodiag.desk.once import Once
from audiodiag.desk.pages import advisor, doors, owner, papers, receiving, workshop
from audiodiag.desk.pages.asking import answered_by
from audiodiag.desk.pages.templates import compiled
from audiodiag.desk.room import DeskRoom

__all__ = ["desk_app"]

Row = tuple[str, str, Any, bool]
PAGES: tuple[Row, ...] = (
    ("GET", "/", doors.front, False),
    ("POST", "/name", doors.rename, True),
    ("GET", "/new", owner.new_form, True),
    ("POST", "/new", owner.new_case, True),
    ("GET", "/cases/{key}", owner.case_page, False),
    ("GET", "/cases/{key}/car", owner.car_form, False),
    ("POST", "/cases/{key}/car", owner.car_kept, False),
    ("GET", "/cases/{key}/record", owner.record_page, False),
    ("POST", "/cases/{key}/answers", owner.answer, False),
    ("POST", "/cases/{key}/notes", owner.note, False),
    ("GET", "/cases/{key}/sounds/{recording:int}", receiving.sound, False),
    ("GET", "/cases/{key}/compare", workshop.compare_form, False),
    ("POST", "/cases/{key}/compare", workshop.compare_asked, False),
    ("GET", "/cases/{key}/papers", papers.papers, False),
    ("POST", "/cases/{key}/papers", papers.paper_asked, False),
    ("GET", "/cases/{key}/files/{file:int}", papers.made_file, False),
    ("GET", "/inbox", advisor.inbox, True),
    ("GET", "/cases/{key}/bench/{recording:int}", advisor.bench, True),
    ("POST", "/cases/{key}/bench/{recording:int}/judged", advisor.judged, True),
    ("POST", "/cases/{key}/bench/{recording:int}/marks", advisor.mark_kept, True),
    ("POST", "/cases/{key}/bench/{recording:int}/marks/{mark:int}/remove", advisor.mark_removed, True),
    ("GET", "/cases/{key}/next", advisor.following, True),
    ("POST", "/cases/{key}/reply", advisor.reply, True),
    ("POST", "/cases/{key}/state", advisor.state_kept, True),
    ("POST", "/cases/{key}/links", advisor.link_made, True),
    ("POST", "/cases/{key}/links/remove", advisor.links_taken_back, True),
    ("GET", "/blocks", advisor.blocks, True),
    ("POST", "/blocks", advisor.block_kept, True),
    ("POST", "/blocks/{block:int}/remove", advisor.block_removed, True),
)
"""Method, address, handler, and whether only advisors come in; the one list of all pages."""


def desk_app(room: DeskRoom) -> Guard:
    """Put the pages of a desk together; the queue runs as long as the application does."""

    @asynccontextmanager
    async def running(_: Starlette) -> AsyncIterator[None]:
        room.workforce.start()
        threading.Thread(target=_loaded_ahead, name="loaded ahead", daemon=True).start()
        try:
            yield
        finally:
            room.close()

    door = ApiDoor(room)
    routes: list[Route | Mount] = [
        Route(address, answered_by(handler, advisor=only_advisors), methods=[method])
        for method, address, handler, only_advisors in PAGES
    ]
    routes += [
        Route("/start/{token}", doors.by_key, methods=["GET"]),
        Route("/enter", doors.by_passphrase, methods=["GET", "POST"]),
        Route("/link/{token}", doors.by_link, methods=["GET"]),
        Route("/leave", doors.leave, methods=["POST"]),
        Route("/cases/{key}/recordings", receiving.receive_form, methods=["POST"]),
        Route(PREFIX, door, methods=None),
        Mount(PREFIX, door),
        Mount("/static", StaticFiles(directory=Path(__file__).parent / "static")),
    ]
    app = Starlette(routes=routes, lifespan=running, exception_handlers={HTTPException: _refused})
    app.state.room = room
    app.state.once = Once()
    app.build_middleware_stack = lambda: ExceptionMiddleware(  # type: ignore[method-assign]
        app.router, handlers=app.exception_handlers
    )  # faults go on to the guard, which words them
    return Guard(app, room.settings)


def _loaded_ahead() -> None:
    """Load templates and knowledge while nobody waits for them."""
    compiled()
    advice_of((), (), (), (None, None, ""))


async def _refused(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    said = problem.detail if problem.status_code == 403 and problem.detail.endswith(".") else ""
    return refusal(problem.status_code, request.scope, said=said)
