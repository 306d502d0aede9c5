"""The OpenAPI 3.1 document of the calls, made from their table."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from audiodiag import __version__
from audiodiag.desk.api.arriving import TOLD
from audiodiag.desk.api.calls import PREFIX, Call, calls
from audiodiag.desk.api.shapes import IDS, answer_shapes, ref
from audiodiag.desk.settings import DeskSettings

__all__ = ["GROUPS", "codes_of", "description"]

GROUPS = {
    "cases": "Cases, the car, who did what when",
    "recordings": "Recordings: sending, what was heard, sound, how far the desk is",
    "uploads": "Recordings in pieces, which go on where the line was cut",
    "judging": "Marks, and corrections of the verdict, which become labels for training",
    "answers": "Questions about the car, their answers, and the advice that follows",
    "words": "Notes, replies to the owner, text blocks",
    "workers": "What worker processes make: comparisons, bleed watch, trend, reports, parcels, parts",
    "links": "Links to one case for its owner: signed, expiring, to be taken back",
}
REFUSED = {
    400: "What was sent breaks the shape of this call",
    401: "Nobody is known: no session",
    403: "Not from this desk, or only for advisors",
    404: "Not there, or not yours to see",
    408: "The body took too long",
    409: "The piece does not fit what has arrived",
    411: "No Content-Length",
    413: "The body is too large",
    415: "A body of another kind than this call takes",
    421: "Another name than this desk's in the header Host",
    422: "It has the right shape, but cannot be: the words say why",
    429: "Too often",
    500: "A fault of the desk; the mark finds it in the desk's output",
}


def codes_of(call: Call) -> list[int]:
    """Give the status codes with which a call may refuse."""
    codes = {400, 401, 403, 421, 500, *call.refuses}
    if "{" in call.path:
        codes.add(404)
    if call.method != "GET":
        codes.add(429)
    if call.raw or call.body is not None:
        codes |= {408, 413, 415}
    return sorted(codes)


@lru_cache(maxsize=4)
def description(settings: DeskSettings) -> dict[str, Any]:
    """Give the document for one desk.

    >>> from pathlib import Path
    >>> description(DeskSettings(Path("desk")))["openapi"]
    '3.1.0'
    """
    paths: dict[str, dict[str, Any]] = {}
    for call in calls():
        paths.setdefault(call.path, {})[call.method.lower()] = _operation(call)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "The desk of audiodiag",
            "version": __version__,
            "description": "All that the pages of the desk do. Calls that change something want the header "
            "Origin with the desk's own address. Times are seconds since 1970 (UTC). Every refusal says what "
            "was wrong, what was got, what is allowed and what to do. Advice never replaces the maker's "
            "instructions or a licensed technician; its cautions belong before every check.",
        },
        "servers": [{"url": PREFIX}],
        "tags": [{"name": name, "description": said} for name, said in GROUPS.items()],
        "security": [{"session": []}],
        "paths": paths,
        "components": {
            "schemas": answer_shapes(),
            "securitySchemes": {
                "session": {
                    "type": "apiKey",
                    "in": "cookie",
                    "name": settings.cookie,
                    "description": "given by the address that the desk prints, by the passphrase of a shared "
                    "desk, or by the link to one case",
                }
            },
        },
    }


def _operation(call: Call) -> dict[str, Any]:
    where = [
        {"name": name, "in": "path", "required": True, "schema": _plain(IDS[name]), **_described(IDS[name])}
        for name in re.findall(r"\{(\w+)\}", call.path)
    ] + [
        {
            "name": name,
            "in": "query",
            "required": name in call.needs,
            "schema": _plain(shape),
            **_described(shape),
        }
        for name, shape in call.query.items()
    ]
    told: dict[str, Any] = {"operationId": call.name, "tags": [call.group], "summary": call.summary}
    if call.advisor:
        told["description"] = "For advisors only."
    told["parameters"] = where
    if call.body is not None:
        told["requestBody"] = {"required": True, "content": {"application/json": {"schema": call.body()}}}
    if call.raw:
        told["requestBody"] = {"required": True, "content": {kind: _raw(kind) for kind in call.raw}}
    told["responses"] = {
        str(call.status): _good(call),
        **{
            str(code): {
                "description": REFUSED[code],
                "content": {"application/json": {"schema": ref("Error")}},
            }
            for code in codes_of(call)
        },
    }
    return told


def _good(call: Call) -> dict[str, Any]:
    if call.answer is not None:
        return {
            "description": "Done" if call.status < 202 else "Asked for",
            "content": {"application/json": {"schema": ref(call.answer)}},
        }
    if call.status == 204:
        return {"description": "Done"}
    return {"description": "The bytes", "content": {call.media: {"schema": {"type": "string"}}}}


def _raw(kind: str) -> dict[str, Any]:
    if kind != "multipart/form-data":
        return {"schema": {"type": "string", "format": "binary"}}
    file = {"type": "string", "format": "binary"}
    told = {name: _plain(shape) for name, shape in TOLD.items()}
    return {
        "schema": {
            "type": "object",
            "properties": {"recording": file, **told},
            "required": ["recording"],
            "additionalProperties": False,
        }
    }


def _plain(shape: Any) -> dict[str, Any]:
    return {key: value for key, value in shape.items() if key != "description"}


def _described(shape: Any) -> dict[str, str]:
    return {"description": shape["description"]} if "description" in shape else {}
