"""The car as far as it is known; unknown is allowed everywhere.

``Vehicle`` holds what the person states. Reading it from a TOML file and from command options lives here
too, so that a wrong statement is refused with the file, the key, what was got and what is allowed.

``SETTINGS`` is the one table of what can be stated: the validation, the refusals and the help text
(`settings_help`) all read it.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.errors import VehicleError
from audiodiag.units import firing_order

__all__ = [
    "AGREEMENT",
    "SETTINGS",
    "BeltDrivenPart",
    "Setting",
    "Vehicle",
    "belt_order",
    "read_vehicle",
    "settings_help",
    "with_options",
]

AGREEMENT = 0.02
"""Two statements of the same thing may differ by this share before they contradict each other."""

_MOST_BYTES = 1_000_000


@dataclass(frozen=True)
class BeltDrivenPart:
    """A part that shares the belt: its turns per crank turn, and its events per own turn (poles, blades)."""

    name: str
    turns_per_crank_turn: float
    events_per_turn: tuple[float, ...] = ()


@dataclass(frozen=True)
class Vehicle:
    """What is known of the car; None where it is not.

    ``pump_ratio``: pump turns per crank turn. ``belt_passes_per_crank_turn``: belt order B.
    """

    name: str | None = None
    cylinders: int | None = None
    pump_ratio: float | None = None
    vanes: int | None = None
    crank_pulley_mm: float | None = None
    pump_pulley_mm: float | None = None
    belt_length_mm: float | None = None
    belt_passes_per_crank_turn: float | None = None
    idle_low_rpm: float | None = None
    idle_high_rpm: float | None = None
    other_parts: tuple[BeltDrivenPart, ...] = ()

    @property
    def first_ripple_order(self) -> float | None:
        """Order of the pump's first pressure ripple, None where ratio or vanes are unknown.

        In a balanced pump (two suction zones a turn) an odd number of vanes doubles it, because the two
        outlets act half a pitch apart: a fact of geometry.

        >>> Vehicle(pump_ratio=1.2, vanes=10).first_ripple_order
        12.0
        >>> Vehicle(pump_ratio=1.0, vanes=9).first_ripple_order
        18.0
        """
        if self.pump_ratio is None or self.vanes is None:
            return None
        return self.pump_ratio * self.vanes * (1 if self.vanes % 2 == 0 else 2)

    def describe(self) -> str:
        """Say in short sentences what is known of the car.

        >>> Vehicle().describe()
        'Nothing is stated about the car.'
        >>> print(Vehicle(cylinders=4, pump_ratio=1.2, vanes=10).describe())
        4 cylinders (firing order 2). The pump turns 1.2 times a crank turn, 10 vanes (first ripple order 12).
        """
        said: list[str] = []
        if self.name is not None:
            said.append(f"Car: {self.name}.")
        if self.cylinders is not None:
            said.append(f"{self.cylinders} cylinders (firing order {firing_order(self.cylinders):g}).")
        said += self._describe_pump()
        if self.belt_passes_per_crank_turn is not None:
            said.append(f"The belt passes {self.belt_passes_per_crank_turn:.3g} times a crank turn.")
        idle = [value for value in (self.idle_low_rpm, self.idle_high_rpm) if value is not None]
        if len(idle) == 2:
            said.append(f"Idle {idle[0]:g} to {idle[1]:g} rpm.")
        elif idle:
            said.append(f"Idle {'at least' if self.idle_low_rpm is not None else 'at most'} {idle[0]:g} rpm.")
        for part in self.other_parts:
            events = ", ".join(f"{number:g}" for number in part.events_per_turn)
            said.append(
                f"{part.name} turns {part.turns_per_crank_turn:.3g} times a crank turn"
                + (f" ({events} events a turn)." if events else ".")
            )
        return " ".join(said) if said else "Nothing is stated about the car."

    def _describe_pump(self) -> list[str]:
        vanes = None if self.vanes is None else f"{self.vanes} vanes"
        if self.pump_ratio is None:
            return [] if vanes is None else [f"The pump has {vanes}."]
        turns = f"The pump turns {self.pump_ratio:.3g} times a crank turn"
        if vanes is None:
            return [f"{turns}."]
        odd = ", twice the vane order because the number is odd" if (self.vanes or 0) % 2 else ""
        return [f"{turns}, {vanes} (first ripple order {self.first_ripple_order:.3g}{odd})."]


@dataclass(frozen=True)
class Setting:
    """One thing that can be stated: where in the file, of what kind and unit, in what range, and why.

    ``field`` is the name in `Vehicle` and of the option (``--pump-ratio``); it is empty for the keys of
    ``[[other_part]]``, which no option sets. ``kind``: ``text``, ``whole``, ``number`` or ``numbers``.
    """

    section: str
    key: str
    field: str
    kind: str
    unit: str
    low: float
    high: float
    help: str

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        if self.kind == "text":
            return "a text of 1 to 80 characters"
        unit = f" {self.unit}" if self.unit else ""
        span = f"from {self.low:g} to {self.high:g}{unit}"
        if self.kind == "numbers":
            return f"a list of numbers, each {span}"
        return f"a {'whole ' if self.kind == 'whole' else ''}number {span}"

    @property
    def option(self) -> str:
        """The name of the command option."""
        return "--" + self.field.replace("_", "-")


SETTINGS: tuple[Setting, ...] = (
    Setting("car", "name", "name", "text", "", 0, 0, "what you call the car"),
    Setting("engine", "cylinders", "cylinders", "whole", "", 1, 16, "number of cylinders (four-stroke)"),
    Setting("engine", "idle_low_rpm", "idle_low_rpm", "number", "rpm", 300, 2500, "lowest warm idle speed"),
    Setting("engine", "idle_high_rpm", "idle_high_rpm", "number", "rpm", 300, 2500, "highest idle speed"),
    Setting("crank", "pulley_mm", "crank_pulley_mm", "number", "mm", 40, 400, "crank pulley diameter"),
    Setting("pump", "pulley_mm", "pump_pulley_mm", "number", "mm", 40, 400, "steering pump pulley diameter"),
    Setting("pump", "ratio", "pump_ratio", "number", "", 0.3, 4, "pump turns for one turn of the crankshaft"),
    Setting("pump", "vanes", "vanes", "whole", "", 4, 20, "number of vanes in the pump (10 is common)"),
    Setting("belt", "length_mm", "belt_length_mm", "number", "mm", 400, 4000, "length of the pump's belt"),
    Setting(
        "belt",
        "passes_per_crank_turn",
        "belt_passes_per_crank_turn",
        "number",
        "",
        0.05,
        1.5,
        "belt passes for one turn of the crankshaft",
    ),
    Setting(
        "other_part", "name", "", "text", "", 0, 0, "a part that shares the belt, for example alternator"
    ),
    Setting("other_part", "pulley_mm", "", "number", "mm", 20, 400, "pulley diameter of that part"),
    Setting("other_part", "turns_per_crank_turn", "", "number", "", 0.1, 8, "its turns for one crank turn"),
    Setting(
        "other_part", "events_per_turn", "", "numbers", "", 0.5, 200, "events in its own turn: poles, blades"
    ),
)
_BY_FIELD = {setting.field: setting for setting in SETTINGS if setting.field}
_SECTIONS = tuple(dict.fromkeys(setting.section for setting in SETTINGS))


def settings_help() -> str:
    """Give the table of all that can be stated about a car, one line a setting.

    >>> settings_help().splitlines()[1]
    '[engine] cylinders: number of cylinders (four-stroke); a whole number from 1 to 16'
    """
    lines = []
    for setting in SETTINGS:
        head = "[[other_part]]" if setting.section == "other_part" else f"[{setting.section}]"
        lines.append(f"{head} {setting.key}: {setting.help}; {setting.allowed}")
    return "\n".join(lines)


def belt_order(crank_pulley_mm: float, belt_length_mm: float) -> float:
    """Give the belt passes per crank turn: ``B = pi * D / L`` (geometry of a belt that does not slip).

    >>> round(belt_order(150.0, 2100.0), 4)
    0.2244
    """
    return math.pi * crank_pulley_mm / belt_length_mm


def read_vehicle(path: str | Path) -> Vehicle:
    """Read what is known of a car from a TOML file; every key is optional.

    Parameters
    ----------
    path:
        A TOML file with the sections ``[car]``, ``[engine]``, ``[crank]``, ``[pump]``, ``[belt]`` and any
        number of ``[[other_part]]``; the keys, units and ranges are those of `SETTINGS`.

    Raises
    ------
    VehicleError
        If the file cannot be read, a key is unknown, a value is of the wrong kind or out of range, or two
        statements contradict each other by more than 2 %.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "car.toml")
    ...     _ = file.write_text("[crank]\\npulley_mm = 150\\n[pump]\\npulley_mm = 125\\nvanes = 10")
    ...     read_vehicle(file).pump_ratio
    1.2
    """
    file = Path(path)
    document = _parse(file)
    stated: dict[str, Any] = {}
    for section, content in document.items():
        if section not in _SECTIONS:
            raise _unknown(file.name, f"section [{section}]", section, _SECTIONS)
        if section == "other_part":
            continue
        if not isinstance(content, dict):
            raise VehicleError(
                f"{file.name}: {section} is not a section",
                got=_shown(content),
                allowed=f"a section [{section}] with keys below it",
                todo=f"write [{section}] on a line of its own",
            )
        for setting, value in _settings_of(file.name, section, f"[{section}]", content):
            stated[setting.field] = value
    stated = _settled(
        stated, lambda field: f"{file.name}: [{_BY_FIELD[field].section}] {_BY_FIELD[field].key}"
    )
    parts = _other_parts(file.name, document.get("other_part", []), stated.get("crank_pulley_mm"))
    return Vehicle(**stated, other_parts=parts)


def with_options(
    vehicle: Vehicle,
    *,
    name: str | None = None,
    cylinders: int | None = None,
    pump_ratio: float | None = None,
    vanes: int | None = None,
    crank_pulley_mm: float | None = None,
    pump_pulley_mm: float | None = None,
    belt_length_mm: float | None = None,
    belt_passes_per_crank_turn: float | None = None,
    idle_low_rpm: float | None = None,
    idle_high_rpm: float | None = None,
) -> Vehicle:
    """Add what the command's options state; an option overrides the file's own statement of the same thing.

    A ratio or belt order that followed from pulleys is computed anew where an option changes them.

    Raises
    ------
    VehicleError
        If an option is out of range or contradicts what else is stated; the text names the option.

    Examples
    --------
    >>> with_options(Vehicle(cylinders=4), vanes=10, pump_ratio=1.2).first_ripple_order
    12.0
    """
    given = {
        "name": name,
        "cylinders": cylinders,
        "pump_ratio": pump_ratio,
        "vanes": vanes,
        "crank_pulley_mm": crank_pulley_mm,
        "pump_pulley_mm": pump_pulley_mm,
        "belt_length_mm": belt_length_mm,
        "belt_passes_per_crank_turn": belt_passes_per_crank_turn,
        "idle_low_rpm": idle_low_rpm,
        "idle_high_rpm": idle_high_rpm,
    }
    stated = {field: getattr(vehicle, field) for field in _BY_FIELD if getattr(vehicle, field) is not None}
    derived = _derived(stated)
    for field, value in derived.items():
        if field in stated and math.isclose(stated[field], value, rel_tol=1e-9):
            del stated[field]
    options = {
        field: _checked(f"option {_BY_FIELD[field].option}", _BY_FIELD[field], value)
        for field, value in given.items()
        if value is not None
    }
    stated |= options

    def place(field: str) -> str:
        setting = _BY_FIELD[field]
        return f"option {setting.option}" if field in options else f"the car's {setting.key} ({setting.help})"

    return Vehicle(**_settled(stated, place), other_parts=vehicle.other_parts)


def _parse(file: Path) -> dict[str, Any]:
    try:
        if file.exists() and not file.is_dir():
            _refuse_no_car(file)
        return tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        raise VehicleError(
            f"the vehicle file {file.name} cannot be read",
            got=problem.strerror or type(problem).__name__,
            allowed="a TOML file that exists and may be read",
            todo="check the path, or leave the option out: everything about the car may be unknown",
        ) from problem
    except (ValueError, RecursionError) as problem:  # also of numbers and brackets without end
        raise VehicleError(
            f"{file.name} is not a TOML file",
            got="signs that are no UTF-8" if isinstance(problem, UnicodeDecodeError) else str(problem),
            allowed="UTF-8 text with [section] lines and key = value lines",
            todo="correct that line; texts stand in quotes, decimals take a point",
        ) from problem


def _refuse_no_car(file: Path) -> None:
    """Refuse a device or a pipe, from which reading might never end, and a file far too large."""
    ordinary = file.is_file()
    if not ordinary or file.stat().st_size > _MOST_BYTES:
        raise VehicleError(
            f"the vehicle file {file.name} cannot be read",
            got=f"{file.stat().st_size} bytes" if ordinary else "a device or a pipe",
            allowed=f"an ordinary TOML file of at most {_MOST_BYTES // 1000} kB",
            todo="write what is known of the car into a small text file",
        )


def _unknown(place: str, what: str, got: str, allowed: Iterable[str]) -> VehicleError:
    names = tuple(allowed)
    near = difflib.get_close_matches(got, names, n=1, cutoff=0.4)
    return VehicleError(
        f"{place}: {what} is not known",
        got=got,
        allowed=", ".join(names),
        todo=f"did you mean {near[0]}?" if near else "remove it",
    )


def _settings_of(
    file: str, section: str, place: str, content: Mapping[str, Any]
) -> list[tuple[Setting, Any]]:
    """Pair every key of a section with its setting and its validated value."""
    known = {setting.key: setting for setting in SETTINGS if setting.section == section}
    found = []
    for key, value in content.items():
        if key not in known:
            raise _unknown(f"{file}: {place}", f"key {key}", key, known)
        found.append((known[key], _checked(f"{file}: {place} {key}", known[key], value)))
    return found


def _shown(value: object) -> str:
    try:
        return f'"{value}"' if isinstance(value, str) else str(value)
    except ValueError:  # a whole number of thousands of digits has no text
        return "a number of thousands of digits"


def _checked(place: str, setting: Setting, value: Any) -> Any:
    """Return the value in its own type, or refuse it with its place and what is allowed."""
    good: bool
    if setting.kind == "text":
        good = isinstance(value, str) and 0 < len(value.strip()) <= 80
        result: Any = value.strip() if good else None
    elif setting.kind == "numbers":
        good = isinstance(value, list) and bool(value) and all(_within(setting, item) for item in value)
        result = tuple(float(item) for item in value) if good else None
    elif setting.kind == "whole":
        good = isinstance(value, int) and _within(setting, value)
        result = value
    else:
        good = _within(setting, value)
        result = float(value) if good else None
    if not good:
        raise VehicleError(
            f"{place} cannot be used: {setting.help}",
            got=_shown(value),
            allowed=setting.allowed,
            todo="correct it, or leave it out if it is not known",
        )
    return result


def _within(setting: Setting, value: Any) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and setting.low <= value <= setting.high


def _derived(stated: Mapping[str, Any]) -> dict[str, float]:
    """Give what follows from the stated diameters and length."""
    derived = {}
    crank = stated.get("crank_pulley_mm")
    if crank is not None and "pump_pulley_mm" in stated:
        derived["pump_ratio"] = crank / stated["pump_pulley_mm"]
    if crank is not None and "belt_length_mm" in stated:
        derived["belt_passes_per_crank_turn"] = belt_order(crank, stated["belt_length_mm"])
    return derived


def _settled(stated: dict[str, Any], place: Any) -> dict[str, Any]:
    """Add what follows from the statements, and refuse contradictions; ``place`` names a field's origin."""
    sources = {
        "pump_ratio": ("crank_pulley_mm", "pump_pulley_mm"),
        "belt_passes_per_crank_turn": ("crank_pulley_mm", "belt_length_mm"),
    }
    settled = dict(stated)
    for field, value in _derived(stated).items():
        first, second = sources[field]
        setting = _BY_FIELD[field]
        if not setting.low <= value <= setting.high:
            raise VehicleError(
                f"{place(first)} and {place(second)} together give an impossible {setting.help}",
                got=f"{stated[first]:g} mm and {stated[second]:g} mm, hence {value:.4g}",
                allowed=setting.allowed,
                todo="measure both again, in millimetres",
            )
        if field in stated and abs(stated[field] - value) > AGREEMENT * value:
            raise VehicleError(
                f"{place(field)} contradicts {place(first)} and {place(second)}",
                got=f"{stated[field]:g} against {value:.4g} from {stated[first]:g} and {stated[second]:g} mm",
                allowed="a difference of at most 2 %",
                todo="measure again, or leave one of the statements out",
            )
        settled.setdefault(field, value)
    low, high = stated.get("idle_low_rpm"), stated.get("idle_high_rpm")
    if low is not None and high is not None and low > high:
        raise VehicleError(
            f"{place('idle_low_rpm')} is above {place('idle_high_rpm')}",
            got=f"{low:g} rpm and {high:g} rpm",
            allowed="the lower speed first",
            todo="exchange the two",
        )
    return settled


def _other_parts(file: str, content: Any, crank_pulley_mm: float | None) -> tuple[BeltDrivenPart, ...]:
    if not isinstance(content, list) or not all(isinstance(entry, dict) for entry in content):
        raise VehicleError(
            f"{file}: other_part is not a list of parts",
            got=_shown(content),
            allowed="one [[other_part]] (two brackets) for each part",
            todo="write [[other_part]] on a line of its own",
        )
    parts: list[BeltDrivenPart] = []
    for number, entry in enumerate(content, start=1):
        place = f"[[other_part]] number {number}"
        stated = {setting.key: value for setting, value in _settings_of(file, "other_part", place, entry)}
        if "name" not in stated:
            raise VehicleError(
                f"{file}: {place} has no name",
                got=", ".join(stated) or "nothing",
                allowed="a name for every part",
                todo='add name = "alternator" or the like',
            )
        if any(part.name == stated["name"] for part in parts):
            raise VehicleError(
                f"{file}: {place} has the name of another part",
                got=stated["name"],
                allowed="a name of its own for every part",
                todo="rename one of them",
            )
        parts.append(_other_part(file, place, stated, crank_pulley_mm))
    return tuple(parts)


def _other_part(
    file: str, place: str, stated: Mapping[str, Any], crank_pulley_mm: float | None
) -> BeltDrivenPart:
    turns, pulley = stated.get("turns_per_crank_turn"), stated.get("pulley_mm")
    from_pulley = crank_pulley_mm / pulley if crank_pulley_mm is not None and pulley is not None else None
    if turns is None and from_pulley is None:
        raise VehicleError(
            f"{file}: {place} ({stated['name']}) does not say how fast the part turns",
            got="pulley_mm without [crank] pulley_mm" if pulley is not None else "neither key",
            allowed="turns_per_crank_turn, or pulley_mm together with [crank] pulley_mm",
            todo="add the missing key",
        )
    if turns is not None and from_pulley is not None and abs(turns - from_pulley) > AGREEMENT * from_pulley:
        raise VehicleError(
            f"{file}: {place} ({stated['name']}) turns_per_crank_turn contradicts the pulleys",
            got=f"{turns:g} against {from_pulley:.4g} from {crank_pulley_mm:g} mm and {pulley:g} mm",
            allowed="a difference of at most 2 %",
            todo="measure again, or leave one of the statements out",
        )
    final = turns if turns is not None else from_pulley
    assert final is not None
    return BeltDrivenPart(stated["name"], final, stated.get("events_per_turn", ()))
