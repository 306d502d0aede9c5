"""Does a value have the shape that was described? The part of JSON Schema 2020-12 that the calls use.

The same description stands in the OpenAPI document; `misfit` says in words where a value does not fit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

__all__ = ["NO_TEXT", "Misfit", "Shape", "allowed_words", "misfit", "value_of_text"]

Shape = Mapping[str, Any]
LONGEST_GOT = 80
NO_TEXT = object()
"""Stands for a text of an address that is no value of the kind that is wanted."""
_KINDS = {
    "object": "an object",
    "array": "a list",
    "string": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "null": "null",
}


@dataclass(frozen=True)
class Misfit:
    """Where a value does not fit its shape: the place in it, what was got, what is allowed."""

    place: str
    got: str
    allowed: str


def misfit(value: Any, shape: Shape, place: str = "the body") -> Misfit | None:
    """Give the first place where a value does not fit; None where all of it does.

    >>> misfit({"cylinders": 40}, {"type": "object", "properties": {"cylinders": {"maximum": 16}}})
    Misfit(place='cylinders', got='40', allowed='a value of at most 16')
    >>> misfit([1, 2], {"type": "array", "items": {"type": "integer"}}) is None
    True
    """
    if "anyOf" in shape:
        found = [misfit(value, each, place) for each in shape["anyOf"]]
        return None if None in found else Misfit(place, _shown(value), allowed_words(shape))
    if not _fits_alone(value, shape):
        return Misfit(place, _shown(value), allowed_words(shape))
    if isinstance(value, str) and any("\ud800" <= sign <= "\udfff" for sign in value):
        return Misfit(place, _shown(value), "a text of whole signs")
    if isinstance(value, dict):
        return _misfit_inside(value, shape, place)
    if isinstance(value, list) and "items" in shape:
        for number, each in enumerate(value):
            if (found_there := misfit(each, shape["items"], f"{place}, item {number + 1}")) is not None:
                return found_there
    return None


def _misfit_inside(value: dict[str, Any], shape: Shape, place: str) -> Misfit | None:
    """Look at the fields of an object."""
    fields: Mapping[str, Shape] = shape.get("properties", {})
    for name in shape.get("required", ()):
        if name not in value:
            return Misfit(name, "nothing", allowed_words(fields.get(name, {})))
    for name, each in value.items():
        if name in fields:
            if (found := misfit(each, fields[name], name)) is not None:
                return found
        elif shape.get("additionalProperties") is False:
            return Misfit(place, f"the field {_shown(name)}", f"the fields {', '.join(fields)}")
    return None


def _fits_alone(value: Any, shape: Shape) -> bool:
    """Judge a value without looking inside it."""
    kind = shape.get("type")
    if kind is not None and not any(_is(value, each) for each in ([kind] if isinstance(kind, str) else kind)):
        return False
    if "enum" in shape and not any(_same(value, each) for each in shape["enum"]):
        return False
    if _is(value, "number"):
        return bool(shape.get("minimum", -math.inf) <= value <= shape.get("maximum", math.inf))
    if isinstance(value, str):
        long_enough = shape.get("minLength", 0) <= len(value) <= shape.get("maxLength", math.inf)
        return long_enough and ("pattern" not in shape or _whole(shape["pattern"], value))
    if isinstance(value, list):
        twice = shape.get("uniqueItems") and any(_same(a, b) for i, a in enumerate(value) for b in value[:i])
        return shape.get("minItems", 0) <= len(value) <= shape.get("maxItems", math.inf) and not twice
    if isinstance(value, dict):
        return bool(shape.get("minProperties", 0) <= len(value))
    return True


def value_of_text(text: str, shape: Shape) -> Any:
    """Turn a text of an address into the value that its shape wants; `NO_TEXT` where it is none.

    >>> value_of_text("12", {"type": "integer"}), value_of_text("true", {"type": "boolean"})
    (12, True)
    """
    kind = shape.get("type")
    if kind == "integer":
        return int(text) if re.fullmatch(r"-?(0|[1-9][0-9]{0,17})", text) and text != "-0" else NO_TEXT
    if kind == "number":
        try:
            number = float(text) if re.fullmatch(r"-?[0-9.]+([eE][+-]?[0-9]+)?", text) else math.nan
        except ValueError:
            return NO_TEXT
        return number if math.isfinite(number) else NO_TEXT
    if kind == "boolean":
        return {"true": True, "false": False}.get(text, NO_TEXT)
    return text


def allowed_words(shape: Shape) -> str:
    """Say what a shape allows.

    >>> allowed_words({"type": "integer", "minimum": 1, "maximum": 16})
    'a whole number from 1 to 16'
    >>> allowed_words({"type": ["number", "null"], "minimum": 0})
    'a number or null of at least 0'
    >>> allowed_words({"enum": ["before", "after"]})
    'before or after'
    """
    if "anyOf" in shape:
        return ", or ".join(allowed_words(each) for each in shape["anyOf"])
    if "enum" in shape:
        words = ["nothing" if each == "" else "null" if each is None else str(each) for each in shape["enum"]]
        return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
    kinds = shape.get("type", ())
    said = [_KINDS[each] for each in ([kinds] if isinstance(kinds, str) else kinds)]
    head = " or ".join(said) if said else "a value"
    for low, high, unit in (
        ("minimum", "maximum", ""),
        ("minLength", "maxLength", " signs"),
        ("minItems", "maxItems", " items"),
    ):
        bounds = [f"{shape[name]:g}" if name in shape else "" for name in (low, high)]
        if all(bounds):
            head += f" {'from' if not unit else 'of'} {bounds[0]} to {bounds[1]}{unit}"
        elif bounds[0]:
            head += f" of at least {bounds[0]}{unit}"
        elif bounds[1]:
            head += f" of at most {bounds[1]}{unit}"
    if "minProperties" in shape:
        head += f" with {shape['minProperties']} field or more"
    if shape.get("properties"):
        head += f" with the fields {', '.join(shape['properties'])}"
    return head + (" as its description says" if "pattern" in shape else "")


def _is(value: Any, kind: str) -> bool:
    if kind == "null":
        return value is None
    if kind == "boolean":
        return isinstance(value, bool)
    if kind in ("integer", "number"):
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return False
        return kind == "number" or isinstance(value, int) or value.is_integer()
    return isinstance(value, {"object": dict, "array": list, "string": str}[kind])


def _same(one: Any, other: Any) -> bool:
    """Equal as JSON has it: true is not 1."""
    return one == other and isinstance(one, bool) == isinstance(other, bool)


@lru_cache(maxsize=64)
def _compiled(pattern: str) -> re.Pattern[str]:
    assert pattern.startswith("^"), pattern
    assert pattern.endswith("$"), pattern
    return re.compile(pattern[1:-1], re.ASCII)


def _whole(pattern: str, value: str) -> bool:
    return _compiled(pattern).fullmatch(value) is not None


def _shown(value: Any) -> str:
    if isinstance(value, (dict, list)):
        return f"{'an object' if isinstance(value, dict) else 'a list'} of {len(value)}"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    said = (value if isinstance(value, str) else repr(value)) or "an empty text"
    return said if len(said) <= LONGEST_GOT else f"{said[:LONGEST_GOT]}..."
