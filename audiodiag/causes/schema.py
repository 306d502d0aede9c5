"""What a file of knowledge may say: one table of keys that validates and documents the files.

``SCHEMA`` maps each file to its kind of record and its keys. A key says its kind, whether it must be there,
its range and what it means. Links between the files are resolved in `audiodiag.causes.knowledge`.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.errors import KnowledgeError

__all__ = [
    "ANSWER_KEYS",
    "RANKS",
    "SCHEMA",
    "SHEET_KEYS",
    "Key",
    "only_known",
    "parsed",
    "read_file",
    "read_sheet",
    "refused",
    "schema_text",
]

_NAME = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True)
class Key:
    """One key of a record.

    ``kind``: ``name`` (small letters, digits, underscores), ``text``, ``number``, ``flag``, ``names`` (a
    list), ``choice`` (one of ``choices``), ``answers`` and ``factors`` (lists of tables), ``points`` (a list
    of [value, factor], values rising).
    """

    name: str
    kind: str
    help: str
    required: bool = True
    low: float = 0.0
    high: float = 0.0
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        return {
            "name": "a name of small letters, digits and underscores",
            "text": "a text that is not empty",
            "number": f"a number from {self.low:g} to {self.high:g}",
            "flag": "true or false",
            "names": "a list of texts",
            "choice": "one of " + ", ".join(self.choices),
            "answers": 'a list of tables like { name = "low", text = "the level is low", leak = 0.06 }',
            "factors": f'a list of tables like {{ part = "pump", factor = {self.high / 10:g} }}, factors '
            f"from {self.low:g} to {self.high:g}",
            "points": f"a list of [value, factor], values rising, factors from {self.low:g} to {self.high:g}",
        }[self.kind]

    def accepts(self, value: Any) -> bool:
        """Say whether a value is of this kind and in range."""
        if self.kind == "number":
            number = isinstance(value, int | float) and not isinstance(value, bool)
            return number and self.low <= value <= self.high
        if self.kind == "flag":
            return isinstance(value, bool)
        if self.kind == "names":
            return isinstance(value, list) and all(isinstance(item, str) and item for item in value)
        if self.kind == "answers":
            return isinstance(value, list) and all(isinstance(item, dict) for item in value)
        if self.kind in ("factors", "points"):
            return isinstance(value, list) and bool(value) and self._accepts_factors(value)
        if not isinstance(value, str) or not value.strip():
            return False
        if self.kind == "name":
            return _NAME.fullmatch(value) is not None
        return self.kind != "choice" or value in self.choices

    def _accepts_factors(self, value: list[Any]) -> bool:
        """Say whether a list holds points, or parts, each with a factor in range."""
        if self.kind == "points":
            pairs = [tuple(item) for item in value if isinstance(item, list) and len(item) == 2]
            rising = all(one[0] < two[0] for one, two in itertools.pairwise(pairs) if _numbers(one + two))
        else:
            pairs = [
                (0, item["factor"])
                for item in value
                if isinstance(item, dict)
                and set(item) == {"part", "factor"}
                and isinstance(item["part"], str)
                and _NAME.fullmatch(item["part"])
            ]
            rising = len({item.get("part") for item in value if isinstance(item, dict)}) == len(value)
        good = len(pairs) == len(value) and all(_numbers(pair) for pair in pairs)
        return good and rising and all(self.low <= pair[1] <= self.high for pair in pairs)


def _numbers(values: Iterable[Any]) -> bool:
    return all(
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        for value in values
    )


_SOURCE = Key("source", "text", "where it comes from; the file's own source if left out", required=False)

RANKS = ("look", "touch", "work", "workshop")
"""How invasive a check or a remedy is, from least to most."""

SCHEMA: dict[str, tuple[str, tuple[Key, ...]]] = {
    "symptoms.toml": (
        "symptom",
        (
            Key("name", "name", "one of the six symptoms"),
            Key("title", "text", "its name in plain words"),
            Key("heard", "text", "the clause that says that it is heard"),
            Key("leak", "number", "share that has it with no cause at work", low=0.001, high=0.5),
            Key(
                "prevalence",
                "number",
                "share among the clips of the classifier's training",
                low=0.01,
                high=0.9,
            ),
            Key("cannot_tell", "text", "what this sound alone cannot tell"),
            _SOURCE,
        ),
    ),
    "causes.toml": (
        "cause",
        (
            Key("name", "name", "its name in results"),
            Key("title", "text", "its name in plain words"),
            Key("kind", "choice", "what it is", choices=("fault", "normal", "none")),
            Key("odds", "number", "prior odds against nothing at work", required=False, low=0.001, high=5.0),
            Key("repair", "text", "what one would do about it"),
            _SOURCE,
        ),
    ),
    "observations.toml": (
        "observation",
        (
            Key("name", "name", "its name in results and options"),
            Key("question", "text", "what to ask a person"),
            Key("from_memory", "flag", "whether the driver often knows it beforehand", required=False),
            Key("normal", "name", "the answer of a sound car"),
            Key("answers", "answers", "all answers but not_looked"),
            _SOURCE,
        ),
    ),
    "links.toml": (
        "link",
        (
            Key("cause", "name", "a name of causes.toml"),
            Key("symptom", "name", "a name of symptoms.toml", required=False),
            Key("observation", "name", "a name of observations.toml", required=False),
            Key("answer", "name", "one of that observation's answers", required=False),
            Key("strength", "number", "share of cars with the cause that show it", low=0.01, high=0.98),
            Key(
                "strength_when_pump_known",
                "number",
                "strength where pulley ratio and vanes are stated",
                required=False,
                low=0.01,
                high=0.98,
            ),
            Key("why", "text", "the clause that gives the reason"),
            _SOURCE,
        ),
    ),
    "checks.toml": (
        "check",
        (
            Key("name", "name", "its name in results"),
            Key("title", "text", "what to do, in plain words"),
            Key("minutes", "number", "one's own time", low=1, high=600),
            Key("rank", "choice", "how invasive", choices=RANKS),
            Key("settles", "names", "the observations that it answers"),
            Key("cautions", "names", "codes of cautions.toml", required=False),
            _SOURCE,
        ),
    ),
    "remedies.toml": (
        "remedy",
        (
            Key("name", "name", "its name in results"),
            Key("title", "text", "what would be done, as the subject of a sentence"),
            Key("cures", "names", "the causes that it ends"),
            Key("minutes", "number", "one's own time", low=1, high=600),
            Key("rank", "choice", "how invasive", choices=RANKS),
            Key("sheet", "name", "the work sheet that says how", required=False),
            Key("cautions", "names", "codes of cautions.toml", required=False),
            _SOURCE,
        ),
    ),
    "priors.toml": (
        "prior",
        (
            Key("cause", "name", "a name of causes.toml"),
            Key("age_years", "points", "odds over the car's age", required=False, low=0.01, high=20),
            Key("mileage_km", "points", "odds over its mileage", required=False, low=0.01, high=20),
            Key("renewed", "factors", "odds after a part was renewed", required=False, low=0.01, high=20),
            Key("suction", "flag", "whether the suction margin gives its odds", required=False),
            _SOURCE,
        ),
    ),
    "cautions.toml": (
        "caution",
        (
            Key("code", "name", "its name"),
            Key("text", "text", "the caution"),
            Key("short", "text", "the same in few words, for a report of one screen"),
            Key("always", "flag", "whether every report carries it", required=False),
            Key("symptoms", "names", "symptoms with which it is given", required=False),
            Key("observations", "names", 'observations "name=answer" with which it is given', required=False),
            _SOURCE,
        ),
    ),
}
SHEET_KEYS: tuple[Key, ...] = (
    Key("name", "name", "its name, that of the file"),
    Key("title", "text", "its name in plain words"),
    Key("for_causes", "names", "the causes for which it is done"),
    Key("when", "text", "when it is due"),
    Key("needs", "names", "what is needed"),
    Key("steps", "names", "what to do, in order"),
    Key("done_when", "text", "how to know that it is done"),
    Key("stop_if", "text", "when to leave it to others"),
    Key("cautions", "names", "codes of cautions.toml"),
    Key("source", "text", "where it comes from"),
)
"""Keys of one file of the folder ``sheets``; a file is one work sheet."""
ANSWER_KEYS: tuple[Key, ...] = (
    Key("name", "name", "the answer's name"),
    Key("text", "text", "the answer as a clause"),
    Key("leak", "number", "share that answers so with no cause at work", required=False, low=0.001, high=0.5),
)
"""Keys of one entry of an observation's ``answers``; every answer but the normal one needs a leak."""


def refused(place: str, what: str, *, got: str, allowed: str, todo: str) -> KnowledgeError:
    """Build the error of a broken file: its place, what is wrong, what was got, what is allowed."""
    return KnowledgeError(f"{place}: {what}", got=got, allowed=allowed, todo=todo)


def schema_text() -> str:
    """Give the schema as text, one line a key.

    >>> schema_text().splitlines()[0]
    'symptoms.toml, one [[symptom]] each:'
    """
    lines = []
    for file, (record, keys) in SCHEMA.items():
        lines.append(f"{file}, one [[{record}]] each:")
        for key in keys:
            lines.append(f"- `{key.name}`{'' if key.required else ' (optional)'}: {key.help}; {key.allowed}")
            if key.kind == "answers":
                for inner in ANSWER_KEYS:
                    optional = "" if inner.required else " (all but the normal answer)"
                    lines.append(f"  - `{inner.name}`{optional}: {inner.help}; {inner.allowed}")
    lines.append("sheets/NAME.toml, one sheet each:")
    lines += [f"- `{key.name}`: {key.help}; {key.allowed}" for key in SHEET_KEYS]
    return "\n".join(lines)


def read_sheet(path: Path) -> dict[str, Any]:
    """Read one work sheet and validate it.

    Raises
    ------
    KnowledgeError
        If the file cannot be read, breaks the schema or has another name than its sheet.
    """
    place = f"sheets/{path.name}"
    entry = parsed(path, place)
    _validated(place, SHEET_KEYS, entry)
    if entry["name"] != path.stem:
        raise refused(
            place, "name is not that of the file", got=entry["name"], allowed=path.stem, todo="rename one"
        )
    return entry


def parsed(path: Path, name: str) -> dict[str, Any]:
    """Read a TOML file, called ``name`` in refusals.

    Raises
    ------
    KnowledgeError
        If it cannot be read or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        reason = problem.strerror or type(problem).__name__
        raise refused(
            name, "cannot be read", got=reason, allowed="a readable TOML file", todo="put the file back"
        ) from problem
    except (ValueError, RecursionError) as problem:  # also of numbers and brackets without end
        raise refused(
            name,
            "is not TOML",
            got=str(problem),
            allowed="key = value lines, texts in quotes",
            todo="correct that line",
        ) from problem


def read_file(folder: Path, name: str) -> list[dict[str, Any]]:
    """Read one file of the schema and validate every record of it.

    Raises
    ------
    KnowledgeError
        If the file cannot be read or a record breaks the schema.
    """
    record, keys = SCHEMA[name]
    document = parsed(folder / name, name)
    source = document.pop("source", None)
    only_known(name, document, (record,))
    records = document.get(record, [])
    if not isinstance(records, list) or not records or not all(isinstance(entry, dict) for entry in records):
        raise refused(
            name,
            f"has no [[{record}]]",
            got=str(type(records).__name__),
            allowed=f"one or more [[{record}]]",
            todo="put the records back",
        )
    for number, entry in enumerate(records, start=1):
        label = entry.get("name", entry.get("code", entry.get("cause", "")))
        place = f"{name}: [[{record}]] number {number}" + (f" ({label})" if label else "")
        _validated(place, keys, entry)
        if "source" not in entry:
            if not isinstance(source, str) or not source.strip():
                raise refused(
                    place,
                    "has no source",
                    got="none here and none at the head of the file",
                    allowed='a source; "common practice, no published source" is one',
                    todo="state where it comes from",
                )
            entry["source"] = source
        for answer_number, answer in enumerate(entry.get("answers", []), start=1):
            _validated(f"{place}, answer {answer_number}", ANSWER_KEYS, answer)
    return records


def only_known(place: str, content: Mapping[str, Any], allowed: Iterable[str]) -> None:
    """Refuse a table that holds a key which nobody knows, with the nearest one that is meant.

    >>> only_known("prices.toml", {"minute": 0.5}, ("minute", "source"))
    """
    names = tuple(allowed)
    for key in content:
        if key not in names:
            near = difflib.get_close_matches(key, names, n=1, cutoff=0.5)
            raise refused(
                place,
                f"key {key} is not known",
                got=key,
                allowed=", ".join(names),
                todo=f"did you mean {near[0]}?" if near else "remove it",
            )


def _validated(place: str, keys: tuple[Key, ...], entry: Mapping[str, Any]) -> None:
    only_known(place, entry, (key.name for key in keys))
    for key in keys:
        if key.name not in entry:
            if key.required:
                raise refused(
                    place,
                    f"key {key.name} is missing ({key.help})",
                    got=", ".join(entry) or "nothing",
                    allowed=key.allowed,
                    todo=f"add {key.name}",
                )
        elif not key.accepts(entry[key.name]):
            raise refused(
                place,
                f"key {key.name} cannot be used ({key.help})",
                got=str(entry[key.name]) or "an empty text",
                allowed=key.allowed,
                todo="correct it",
            )
