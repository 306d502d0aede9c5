"""What an analysis written as JSON says of a clip's sounds, so that advice can start from it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS

__all__ = ["Case", "case_of", "looks_like_json", "read_case"]

SCHEMA = "audiodiag/analysis/1"
MOST_BYTES = 50_000_000


@dataclass(frozen=True)
class Case:
    """What is heard: symptom to probability, empty where the clip could not be judged; and what was said.

    simulated: whether the clip says of itself that it was simulated.
    """

    name: str
    probabilities: Mapping[str, float]
    verdict: str
    simulated: bool = False


def looks_like_json(path: str | Path) -> bool:
    """Say whether a file holds JSON by its first sign that is no space; false where it cannot be read."""
    try:
        if not Path(path).is_file():
            return False
        with Path(path).open("rb") as file:
            return file.read(64).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{")
    except OSError:
        return False


def read_case(path: str | Path) -> Case:
    """Read the one line that ``audiodiag analyse --json`` wrote for a clip.

    Raises
    ------
    UsageError
        If it is no such line, or there are several.
    """
    file = Path(path)
    try:
        if file.stat().st_size > MOST_BYTES:
            raise _no_case(file.name, f"{file.stat().st_size} bytes")
        lines = [line for line in file.read_text(encoding="utf-8-sig").splitlines() if line.strip()]
    except OSError as problem:
        raise _no_case(file.name, problem.strerror or type(problem).__name__) from problem
    except UnicodeDecodeError as problem:
        raise _no_case(file.name, "no UTF-8 text") from problem
    try:
        plain = json.loads("\n".join(lines))
    except (ValueError, RecursionError) as problem:
        if len(lines) > 1 and all(line.lstrip().startswith("{") for line in lines):
            raise UsageError(
                f"{file.name} holds several cases",
                got=f"{len(lines)} lines",
                allowed="the line of one clip",
                todo="save one line into a file of its own",
            ) from problem
        raise _no_case(file.name, f"no JSON ({problem})") from problem
    return case_of(plain, name=file.name)


def case_of(plain: Any, *, name: str) -> Case:
    """Take the sounds from the plain values of an analysis; raises ``UsageError`` where they are none.

    >>> sounds = [{"name": "belt_squeal", "probability": 0.9}]
    >>> plain = {"schema": "audiodiag/analysis/1", "symptoms": sounds, "verdict": {"kind": "symptoms"}}
    >>> case_of(plain, name="a clip").probabilities
    {'belt_squeal': 0.9}
    """
    if not isinstance(plain, dict) or plain.get("schema") != SCHEMA:
        got = plain.get("schema", "no schema") if isinstance(plain, dict) else type(plain).__name__
        raise _no_case(name, str(got))
    verdict = plain.get("verdict")
    kind = verdict.get("kind") if isinstance(verdict, dict) else None
    symptoms = plain.get("symptoms")
    if not isinstance(symptoms, list) or not isinstance(kind, str):
        raise _no_case(name, "symptoms or verdict are missing")
    probabilities = {}
    for found in symptoms:
        value: Any = found.get("probability") if isinstance(found, dict) else None
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if (
            not isinstance(found, dict)
            or found.get("name") not in SYMPTOMS
            or not (number and 0 <= value <= 1)
        ):
            raise _no_case(name, f"a symptom {found!r}")
        probabilities[found["name"]] = float(value)
    clip = plain.get("clip")
    file = clip.get("file") if isinstance(clip, dict) else None
    told = kind in ("symptoms", "normal")
    return Case(str(file or name), probabilities if told else {}, kind, _simulated(plain, str(file or name)))


def _simulated(plain: dict[str, Any], name: str) -> bool:
    """Whether the clip of an analysis calls itself simulated, in its name or in a note on the recording."""
    quality = plain.get("quality")
    notes = quality.get("notes") if isinstance(quality, dict) else None
    listed = notes if isinstance(notes, list) else []
    coded = any(isinstance(note, dict) and note.get("code") == "simulated" for note in listed)
    return coded or "simulated" in name.lower()


def _no_case(name: str, got: str) -> UsageError:
    return UsageError(
        f"{name} is no analysis of a clip",
        got=got,
        allowed=f'one line of audiodiag analyse --json, schema "{SCHEMA}"',
        todo="write it with: audiodiag analyse my_clip.m4a --json > case.json",
    )
