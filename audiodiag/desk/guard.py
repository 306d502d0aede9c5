"""What stands before every page: who may ask, from where, how much, and what no answer ever says.

The ``Host`` header (against DNS rebinding), ``Origin`` and fetch metadata (against requests that other sites
make in a visitor's name: W3C Fetch Metadata Request Headers; RFC 6454), bounds on the body's size and time,
a strict content policy (W3C Content Security Policy Level 3), and error pages without internals.
"""

from __future__ import annotations

import asyncio
import secrets
import sys
import traceback
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, Response

from audiodiag.desk.settings import DeskSettings

__all__ = ["SECURITY_HEADERS", "Guard", "refusal"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]

HIGHEST_ROW = 2**31 - 1
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self' blob:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "microphone=(self), camera=(), geolocation=(), display-capture=()",
}
_REFUSALS = {
    400: ("This cannot be read", "The address or the form was not written as the desk writes it."),
    403: ("This door is closed", "The request did not come from a page of this desk."),
    404: ("Nothing here", "There is no such page, or it is not yours to see."),
    405: ("Not this way", "This page cannot be asked in this way."),
    408: (
        "It took too long",
        "The upload was cut off because it took too long. What had arrived was not kept.",
    ),
    413: ("Too large", "What was sent is larger than the desk takes. Send a shorter recording."),
    421: ("Not this desk", "The desk does not answer to this name. Use the address that it printed."),
    429: ("Too often", "Wait a while, then try again."),
    500: ("Something broke here", "This is the desk's fault, not yours. Nothing you sent before is lost."),
}


class Guard:
    """Wraps the pages; everything passes here first and leaves here last."""

    def __init__(self, app: Any, settings: DeskSettings) -> None:
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it in words."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        begun = False

        async def guarded_send(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(raw=message["headers"])
                for name, value in SECURITY_HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
                if self._settings.tls:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
            await send(message)

        headers = Headers(scope=scope)
        code = self._refused(scope, headers)
        if code is not None:
            await refusal(code, scope)(scope, receive, guarded_send)
            return
        bounded = _Bounded(receive, *self._bounds(scope))
        try:
            await self._app(scope, bounded.receive, guarded_send)
        except Exception as problem:
            if begun or bounded.gone:
                return
            mark = "" if bounded.broken else _written_down(problem)
            await refusal(bounded.broken or 500, scope, mark=mark)(scope, receive, guarded_send)

    def _refused(self, scope: Scope, headers: Headers) -> int | None:
        """Give the code with which a request is refused; None where it may pass."""
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._settings.allowed_hosts:
            return 421
        if len(scope["path"]) > 400 or len(scope.get("query_string", b"")) > 4000:
            return 400
        if "\0" in scope["path"]:
            return 400
        if any(_beyond_all_rows(part) for part in scope["path"].split("/")):
            return 404
        if scope["method"] in SAFE_METHODS:
            return 403 if _embedded_elsewhere(headers) else None
        site = headers.get("sec-fetch-site")
        if site is not None and site != "same-origin":
            return 403
        ours = {f"{self._settings.scheme}://{host}" for host in self._settings.allowed_hosts}
        origin = headers.get("origin")
        if origin is None or origin.lower() not in ours:
            return 403
        if origin.lower() != f"{self._settings.scheme}://{hosts[0].lower()}":
            return 403
        declared = headers.get("content-length")
        if declared is not None and (not declared.isascii() or not declared.isdigit()):
            return 400
        if declared is not None and int(declared[:20]) > self._bounds(scope)[0]:
            return 413
        return None

    def _bounds(self, scope: Scope) -> tuple[int, float]:
        """Give how many bytes a body may have, and how long it may take."""
        limits = self._settings.limits
        if scope["path"].endswith("/recordings") or "/uploads/" in scope["path"]:
            return limits.upload_bytes + 10_000, limits.upload_s
        return limits.form_bytes, limits.body_s


class _Bounded:
    """Counts what arrives; breaks off what is too large or takes too long."""

    def __init__(self, receive: Receive, most_bytes: int, most_s: float) -> None:
        self._receive, self._left = receive, most_bytes
        self._most_s = most_s
        self._until: float | None = None
        self._whole = False
        self.broken = 0
        self.gone = False

    async def receive(self) -> Message:
        if self._whole:
            return await self._receive()
        now = asyncio.get_running_loop().time()
        self._until = self._until or now + self._most_s
        try:
            message = await asyncio.wait_for(self._receive(), max(0.001, self._until - now))
        except TimeoutError:
            self.broken = 408
            raise
        if message["type"] == "http.disconnect":
            self.gone = True
            return message
        self._left -= len(message.get("body", b""))
        self._whole = not message.get("more_body", False)
        if self._left < 0:
            self.broken = 413
            raise ValueError("body too large")
        return message


def _beyond_all_rows(part: str) -> bool:
    """Tell whether a part of an address is a number that no row of the database can have."""
    return part.isascii() and part.isdigit() and (len(part) > 20 or int(part) > HIGHEST_ROW)


def _embedded_elsewhere(headers: Headers) -> bool:
    """Tell whether another site asks for a page or a sound to show or read it there."""
    site = headers.get("sec-fetch-site", "none")
    if site in ("none", "same-origin"):
        return False
    opened = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
    return not opened


def _written_down(problem: Exception) -> str:
    """Say a fault in the desk's own output, and give the mark by which it is found there.

    What a stranger wrote may stand in it: every line is set in, and signs that do not print are replaced.
    """
    mark = secrets.token_hex(4)
    lines = "".join(traceback.format_exception(problem)).splitlines()
    told = ("".join(sign if sign.isprintable() else "?" for sign in line) for line in lines)
    print(f"desk: fault {mark}", *(f"  | {line}" for line in told), sep="\n", file=sys.stderr)
    return mark


def refusal(code: int, scope: Scope, *, mark: str = "", said: str = "") -> Response:
    """Give the answer that refuses, in words; ``mark`` finds the fault in the desk's own output."""
    if str(scope.get("path", "")).startswith("/api/"):
        from audiodiag.desk.api.words import refusal_values

        return JSONResponse(refusal_values(code, scope, mark=mark, said=said), status_code=code)
    from audiodiag.desk.pages.templates import plain_page

    title, text = _REFUSALS.get(code, _REFUSALS[400])
    text = said or text
    return HTMLResponse(plain_page(title, text, mark), status_code=code)
