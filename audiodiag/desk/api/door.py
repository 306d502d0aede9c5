"""The door of the calls: finds the call of an address, checks who asks and what is sent, answers as JSON."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import MutableMapping
from typing import Any
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from audiodiag.desk.api.asked import Asked, RefusalError, error_values, not_there
from audiodiag.desk.api.calls import PREFIX, Call, calls
from audiodiag.desk.api.description import description
from audiodiag.desk.api.shape import NO_TEXT, allowed_words, misfit, value_of_text
from audiodiag.desk.api.shapes import IDS
from audiodiag.desk.api.words import refusal_values
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.visitors import Visitor, visitor_of
from audiodiag.errors import AudiodiagError

__all__ = ["ApiDoor"]

Scope = MutableMapping[str, Any]


class ApiDoor:
    """An ASGI application of all calls, below `PREFIX`."""

    def __init__(self, room: DeskRoom) -> None:
        self._room = room
        self._addresses: dict[str, dict[str, Call]] = {}
        for call in calls():
            self._addresses.setdefault(call.path, {})[call.method] = call
        self._patterns = [
            (re.compile(re.sub(r"\{(\w+)\}", r"(?P<\1>[^/]+)", path)), path) for path in self._addresses
        ]

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """Answer one request."""
        request = Request(scope, receive)
        try:
            answer = await self._answer(request)
        except RefusalError as refusal:
            answer = JSONResponse(error_values(refusal.error), status_code=refusal.code)
        except AudiodiagError as error:
            answer = JSONResponse(error_values(error), status_code=422)
        except HTTPException as problem:
            answer = JSONResponse(refusal_values(problem.status_code, scope), status_code=problem.status_code)
        await answer(scope, receive, send)

    async def _answer(self, request: Request) -> Response:
        place = request.scope["path"].removeprefix(PREFIX)
        if place in ("", "/", "/openapi.json"):
            return await self._described(request, place)
        found = [(path, match) for pattern, path in self._patterns if (match := pattern.fullmatch(place))]
        if not found:
            raise not_there("call", place)
        path, match = found[0]
        methods = self._addresses[path]
        call = methods.get("GET" if request.method == "HEAD" else request.method)
        if call is None:
            return _wrong_method(request, methods)
        visitor = await run_in_threadpool(
            visitor_of, self._room.signer, self._room.store, request.cookies.get(self._room.settings.cookie)
        )
        asked = self._admitted(call, visitor, request, match.groupdict())
        if call.raw:
            return _told(call, await call.handler(asked, request))
        if call.body is not None:
            asked = _with_body(call, asked, await _bytes_of(request))
        answer = await run_in_threadpool(call.handler, asked)
        return answer if isinstance(answer, Response) else _told(call, answer)

    async def _described(self, request: Request, place: str) -> Response:
        if request.method not in ("GET", "HEAD"):
            return _wrong_method(request, {"GET": calls()[0]})
        if place == "/openapi.json":
            return JSONResponse(await run_in_threadpool(description, self._room.settings))
        from audiodiag.desk.api.page import calls_page

        return HTMLResponse(await run_in_threadpool(calls_page, self._room.settings))

    def _admitted(self, call: Call, visitor: Visitor | None, request: Request, path: dict[str, str]) -> Asked:
        """Let in who may make this call, with values that fit, and only so often."""
        if visitor is None:
            raise RefusalError(
                401,
                "nobody is known here yet",
                got="no session, or one whose time is over",
                allowed="the session's cookie",
                todo="open the desk with its address, its passphrase or a link first",
            )
        if call.advisor and not visitor.advisor:
            raise RefusalError(
                403,
                "only advisors may do this",
                got=f"the part of an {visitor.role}",
                allowed="advisors",
                todo="ask the advisor of the case to do it",
            )
        values = {name: value_of_text(text, IDS[name]) for name, text in path.items()}
        for name, value in values.items():
            if value is NO_TEXT or misfit(value, IDS[name], name) is not None:
                raise not_there(name if name != "key" else "case", path[name][:80])
        limits = self._room.settings.limits
        guest = f"{request.client.host if request.client else ''} {visitor.role} {visitor.links}"
        most, within_s = {
            "upload": (limits.uploads_an_hour, 3600.0),
            "piece": (limits.pieces_a_minute, 60.0),
        }.get(call.rate, (limits.posts_a_minute, 60.0))
        kind = call.rate or "post"
        if call.method != "GET" and not self._room.rates.allows(kind, guest, most=most, within_s=within_s):
            raise RefusalError(
                429,
                "this was done too often",
                got=f"more than {most} in {within_s / 60:.0f} min",
                allowed=f"{most} in {within_s / 60:.0f} min",
                todo="wait a while, then try again",
            )
        if call.raw or call.body is not None:
            _refuse_media(call, request)
        query = _query(call, request.scope.get("query_string", b""))
        return Asked(self._room, visitor, values, query, host=request.headers.get("host", ""))


def _wrong_method(request: Request, methods: dict[str, Call]) -> Response:
    allowed = sorted({*methods, *(["HEAD"] if "GET" in methods else [])})
    error = AudiodiagError(
        "this address does not take this method",
        got=request.method[:20],
        allowed=", ".join(allowed),
        todo=f"see {PREFIX} for what each address takes",
    )
    return JSONResponse(error_values(error), status_code=405, headers={"Allow": ", ".join(allowed)})


def _refuse_media(call: Call, request: Request) -> None:
    """Refuse a body of another kind than the call takes: no form of another page is ever one of ours."""
    kind, _, settings = request.headers.get("content-type", "").lower().partition(";")
    kind, wanted = kind.strip(), call.raw or ("application/json",)
    charset = re.search(r"charset\s*=\s*\"?([^\s\";]+)", settings)
    fits = kind in wanted and (charset is None or charset[1] in ("utf-8", "utf8") or bool(call.raw))
    if not fits:
        raise RefusalError(
            415,
            "a body of this kind is not taken here",
            got=(kind or "no Content-Type")[:80],
            allowed=" or ".join(wanted),
            todo="say with Content-Type what is sent",
        )


def _query(call: Call, query: bytes) -> dict[str, Any]:
    """Read the values behind the question mark; one that is not known or does not fit is refused."""
    values: dict[str, Any] = {}
    try:
        pairs = parse_qsl(query.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=50)
    except ValueError:
        raise _breach("the address", "signs that are no UTF-8", "percent-encoded UTF-8") from None
    for name, text in pairs:
        if name not in call.query:
            raise _breach("the address", f"the value {name[:80]}", ", ".join(call.query) or "no values")
        if name in values:
            raise _breach(name, "the value twice", "each value once")
        value = value_of_text(text, call.query[name])
        wrong = misfit(value, call.query[name], name)
        if value is NO_TEXT or wrong is not None:
            raise _breach(name, text[:80] or "nothing", allowed_words(call.query[name]))
        values[name] = value
    for name in call.needs:
        if name not in values:
            raise _breach(name, "nothing", allowed_words(call.query[name]))
    return values


async def _bytes_of(request: Request) -> bytes:
    try:
        return await request.body()
    except ClientDisconnect:
        raise asyncio.CancelledError from None


def _with_body(call: Call, asked: Asked, content: bytes) -> Asked:
    """Read the JSON of a body and hold it against the call's shape."""
    assert call.body is not None
    try:
        body = json.loads(content.decode("utf-8"), object_pairs_hook=_once_each, parse_constant=_no_number)
    except UnicodeDecodeError:
        raise _breach("the body", "bytes that are no UTF-8", "JSON in UTF-8") from None
    except RecursionError:
        raise _breach("the body", "JSON nested beyond all measure", "the fields of the description") from None
    except ValueError as problem:
        got = str(problem)[:80] if content else "nothing"
        raise _breach("the body", got, "JSON (RFC 8259)") from None
    wrong = misfit(body, call.body())
    if wrong is not None:
        raise _breach(wrong.place, wrong.got, wrong.allowed)
    return Asked(asked.room, asked.visitor, asked.path, asked.query, body, asked.host)


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a field that stands twice: two readers of it might see different values."""
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"the field {next(each for each in names if names.count(each) > 1)[:40]} twice")
    return found


def _no_number(word: str) -> Any:
    raise ValueError(f"{word}, which is no number of JSON")


def _breach(place: str, got: str, allowed: str) -> RefusalError:
    return RefusalError(
        400,
        f"{place} cannot be used",
        got=got,
        allowed=allowed,
        todo=f"see {PREFIX} for the shape of this call",
    )


def _told(call: Call, values: dict[str, Any] | None) -> Response:
    if call.answer is None:
        return Response(status_code=call.status)
    return JSONResponse(values, status_code=call.status)
