"""Answers in a file: what was seen, what is known of the car's life, and of its suction line.

One TOML file scripts a whole dialogue: ``[saw]`` answers questions, ``[car]`` states age, mileage and parts
renewed, ``[suction]`` the fluid's temperature and what is known of hose, fluid and pump.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from audiodiag.causes.circumstances import Circumstances, prior_factors
from audiodiag.causes.knowledge import Knowledge
from audiodiag.causes.observations import unknown_name, validated_observations
from audiodiag.causes.schema import parsed
from audiodiag.causes.suction import SuctionLine, suction_margin
from audiodiag.errors import KnowledgeError, UsageError

__all__ = ["Answers", "circumstances_of", "read_answers"]

MOST_BYTES = 1_000_000
_CAR = ("age_years", "mileage_km", "renewed")


@dataclass(frozen=True)
class Answers:
    """What a file of answers holds: observations, and its sections ``car`` and ``suction`` as they stand."""

    saw: Mapping[str, str]
    car: Mapping[str, Any]
    suction: Mapping[str, float]


def read_answers(path: str | Path, knowledge: Knowledge) -> Answers:
    """Read a file of answers and validate it.

    Raises
    ------
    UsageError
        If the file cannot be read, or names or values are not known.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from audiodiag.causes import load_knowledge
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "answers.toml")
    ...     _ = file.write_text('[saw]\\nfluid_level = "low"\\n[car]\\nage_years = 15')
    ...     read_answers(file, load_knowledge()).saw
    {'fluid_level': 'low'}
    """
    file = Path(path)
    if file.exists() and (not file.is_file() or file.stat().st_size > MOST_BYTES):
        raise UsageError(
            f"the file of answers {file.name} cannot be read",
            got="a folder, a device or a file of more than 1 MB",
            allowed="an ordinary small TOML file",
            todo="write the answers into a small text file",
        )
    try:
        document = parsed(file, file.name)
    except KnowledgeError as problem:
        raise UsageError(
            problem.what, got=problem.got, allowed=problem.allowed, todo=problem.todo
        ) from problem
    for section, content in document.items():
        if section not in ("saw", "car", "suction"):
            raise unknown_name(f"{file.name}: the section", section, ("saw", "car", "suction"))
        if not isinstance(content, dict):
            raise UsageError(
                f"{file.name}: {section} is no section",
                got=str(content),
                allowed=f"[{section}] with keys below it",
                todo=f"write [{section}] on a line of its own",
            )
    saw = {name: str(answer) for name, answer in document.get("saw", {}).items()}
    validated_observations(saw, knowledge)
    answers = Answers(saw, document.get("car", {}), document.get("suction", {}))
    circumstances_of(answers.car, answers.suction, knowledge)
    return answers


def circumstances_of(
    car: Mapping[str, Any], suction: Mapping[str, Any], knowledge: Knowledge
) -> Circumstances | None:
    """Turn plain values into circumstances; None where nothing is stated.

    Raises
    ------
    UsageError
        If a key is not known, a value is no number or out of range, or the temperature is missing.
    """
    for key, value in car.items():
        if key not in _CAR:
            raise unknown_name("what is said of the car", key, _CAR)
        if key == "renewed" and not (
            isinstance(value, list | tuple) and all(isinstance(v, str) for v in value)
        ):
            raise UsageError(
                "the parts renewed cannot be read",
                got=str(value),
                allowed='a list such as renewed = ["belt"]',
                todo="write a list",
            )
    margin = None
    if suction:
        names = [field.name for field in fields(SuctionLine)]
        for key in suction:
            if key not in names:
                raise unknown_name("what is said of the suction line", key, names)
        if "fluid_temperature_c" not in suction:
            raise UsageError(
                "the margin at the pump's inlet needs the fluid's temperature",
                got=", ".join(suction),
                allowed="fluid_temperature_c with what is known of hose, fluid and pump",
                todo="state the temperature; after a night it is that of the air",
            )
        margin = suction_margin(SuctionLine(**{key: _number(key, value) for key, value in suction.items()}))
    numbers = {key: _number(key, value) for key, value in car.items() if key != "renewed"}
    found = Circumstances(**numbers, renewed=tuple(car.get("renewed", ())), suction=margin)
    if found == Circumstances():
        return None
    prior_factors(found, knowledge)
    return found


def _number(key: str, value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or value != value:
        raise UsageError(f"{key} is no number", got=str(value), allowed="a number", todo="correct it")
    return float(value)
