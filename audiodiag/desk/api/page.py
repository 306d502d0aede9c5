"""The calls for people: one page, made from the same table as the document."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from audiodiag.desk.api.calls import PREFIX, Call, calls
from audiodiag.desk.api.description import GROUPS, REFUSED, codes_of
from audiodiag.desk.api.shape import Shape, allowed_words
from audiodiag.desk.api.shapes import answer_shapes
from audiodiag.desk.pages.templates import rendered
from audiodiag.desk.settings import DeskSettings

__all__ = ["Entry", "Line", "calls_page"]

LONGEST_ALLOWED = 160


@dataclass(frozen=True)
class Line:
    """One value that a call takes: its name, whether it is needed, what is allowed, what it means."""

    name: str
    needed: bool
    allowed: str
    said: str


@dataclass(frozen=True)
class Entry:
    """One call as the page shows it."""

    call: Call
    query: tuple[Line, ...]
    body: tuple[Line, ...]
    codes: tuple[int, ...]


@lru_cache(maxsize=4)
def calls_page(settings: DeskSettings) -> str:
    """Give the page as text."""
    groups = [
        (name, said, [_entry(call) for call in calls() if call.group == name])
        for name, said in GROUPS.items()
    ]
    return rendered(
        "calls.html",
        visitor=None,
        here="calls",
        said=None,
        groups=groups,
        prefix=PREFIX,
        cookie=settings.cookie,
        origin=f"{settings.scheme}://{settings.allowed_hosts[0]}",
        refused=REFUSED,
        shapes={name: _outline(shape) for name, shape in answer_shapes().items()},
    )


def _entry(call: Call) -> Entry:
    query = tuple(_line(name, shape, name in call.needs) for name, shape in call.query.items())
    body: tuple[Line, ...] = ()
    if call.body is not None:
        shape = call.body()
        needed = shape.get("required", ())
        body = tuple(_line(name, each, name in needed) for name, each in shape["properties"].items())
    return Entry(call, query, body, tuple(codes_of(call)))


def _line(name: str, shape: Shape, needed: bool) -> Line:
    words = allowed_words(shape)
    if len(words) > LONGEST_ALLOWED:
        words = f"{words[:LONGEST_ALLOWED]} ... (see the document)"
    return Line(name, needed, words, str(shape.get("description", "")))


def _outline(shape: dict[str, Any]) -> str:
    """Give the fields of a shape with their kinds, as JSON to look at."""
    return json.dumps(_seen(shape), indent=1, ensure_ascii=False)


def _seen(shape: Any, depth: int = 0) -> Any:
    if "$ref" in shape:
        return shape["$ref"].rsplit("/", 1)[1]
    if "anyOf" in shape:
        found = [_seen(each, depth) for each in shape["anyOf"] if each.get("type") != "null"]
        return {"or null": found[0]} if isinstance(found[0], (dict, list)) else f"{found[0]} or null"
    if shape.get("type") == "array":
        items = shape.get("items") or (shape.get("prefixItems") or [{}])[0]
        return [_seen(items, depth + 1)] if items is not False else []
    if shape.get("type") == "object" and shape.get("properties"):
        return {name: _seen(each, depth + 1) for name, each in shape["properties"].items()}
    return allowed_words({key: value for key, value in shape.items() if key in ("type", "enum")})
