"""The doors: the key of this machine, the passphrase of a shared desk, the link to one case, and out."""

from __future__ import annotations

from sqlalchemy import select
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from audiodiag.desk.pages.asking import Ask, enter, go_to, visitor_at
from audiodiag.desk.pages.templates import rendered
from audiodiag.desk.passphrase import passphrase_fits
from audiodiag.desk.rates import EVERYBODY
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.tables import CaseRow
from audiodiag.desk.visitors import Visitor, entered_by_link

__all__ = ["by_key", "by_link", "by_passphrase", "front", "leave", "rename"]

QUARTER_S = 900.0


def front(ask: Ask) -> Response:
    """Send each to where their work is."""
    if ask.visitor.advisor:
        return go_to("/inbox")
    with ask.room.store.reading() as session:
        key = session.scalar(select(CaseRow.key).where(CaseRow.id == ask.visitor.cases[0]))
    return go_to(f"/cases/{key}")


async def by_key(request: Request) -> Response:
    """Enter with the address that the terminal printed; only where the desk is not shared over a network."""
    room: DeskRoom = request.app.state.room
    values = room.signer.read("entry", request.path_params["token"])
    if values is None or room.settings.share:
        raise HTTPException(403)
    before = await run_in_threadpool(visitor_at, room, request)
    return enter(room, before if before and before.advisor else Visitor("advisor", "advisor"), "/inbox")


async def by_passphrase(request: Request) -> Response:
    """Ask for the passphrase and check it, slowly and only so often."""
    room: DeskRoom = request.app.state.room
    problem = ""
    code = 200
    if request.method == "POST" and room.settings.share:
        guest = request.client.host if request.client else "somebody"
        most = room.settings.limits.passphrases_a_quarter
        if not room.rates.allows("passphrase", guest, most=most, within_s=QUARTER_S):
            raise HTTPException(429)
        if not room.rates.allows("passphrase", EVERYBODY, most=6 * most, within_s=QUARTER_S):
            raise HTTPException(429)
        form = await request.form(max_files=0, max_fields=4)
        said, name = str(form.get("passphrase", "")), str(form.get("name", ""))
        if await run_in_threadpool(passphrase_fits, room.settings.folder, said):
            return enter(room, Visitor("advisor", _name(name)), "/inbox")
        problem, code = "That is not the passphrase.", 403
    values = {"visitor": None, "here": "", "said": None, "share": room.settings.share, "problem": problem}
    return HTMLResponse(rendered("enter.html", **values), status_code=code)


async def by_link(request: Request) -> Response:
    """Enter with a link to one case."""
    room: DeskRoom = request.app.state.room
    before = await run_in_threadpool(visitor_at, room, request)
    token = request.path_params["token"]
    found = await run_in_threadpool(entered_by_link, room.signer, room.store, token, before)
    if found is None:
        raise HTTPException(403, "This link is not valid, or its time is over. Ask for a new one.")
    visitor, key = found
    return enter(room, visitor, f"/cases/{key}")


def rename(ask: Ask) -> Response:
    """Let an advisor or technician say who they are, for the list of who did what."""
    visitor = Visitor(ask.visitor.role, _name(ask.form.get("name", "")), ask.visitor.links, ask.visitor.cases)
    return enter(ask.room, visitor, "/inbox?said=kept")


async def leave(request: Request) -> Response:
    """Forget the session in this browser."""
    room: DeskRoom = request.app.state.room
    answer = RedirectResponse("/enter", status_code=303)
    answer.delete_cookie(room.settings.cookie, path="/", secure=room.settings.tls, httponly=True)
    return answer


def _name(said: str) -> str:
    kept = "".join(sign for sign in said if sign.isprintable()).strip()[:40]
    return kept or "advisor"
