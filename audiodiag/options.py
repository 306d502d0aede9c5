"""The one table of what the command can be told: name, kind, default, help.

The parser, the refusals, ``--help`` and the table in README.md all read it, so they cannot differ.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from audiodiag.errors import UsageError
from audiodiag.vehicle import SETTINGS

__all__ = [
    "ANALYSE_OPTIONS",
    "LIFE_OPTIONS",
    "PRICES_OPTION",
    "TRAIN_OPTIONS",
    "Option",
    "Value",
    "options_table",
]

Value = str | float | int | bool
Kind = Literal["flag", "text", "number", "whole"]
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


@dataclass(frozen=True)
class Option:
    """One option of the command.

    ``field`` is the name under which its value travels on; a ``flag`` takes no value; ``repeats`` says that
    it may be given several times, ``many`` that several values may follow it. ``low`` and ``high`` bound a
    number. Options of the group ``the car`` are checked by the room `vehicle`, which knows their ranges.
    ``preset`` is the value taken when the option is not given; ``default`` says in words what then holds
    where there is no such value.
    """

    flag: str
    field: str
    kind: Kind
    group: str
    help: str
    metavar: str = ""
    default: str = "none"
    low: float = -math.inf
    high: float = math.inf
    unit: str = ""
    repeats: bool = False
    of_car: bool = False
    many: bool = False
    preset: Value | None = None

    @property
    def said_default(self) -> str:
        """What holds when the option is not given, in words."""
        if self.kind == "flag":
            return "off"
        return self.default if self.preset is None else f"{self.preset}"

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        unit = f" {self.unit}" if self.unit else ""
        kind = "a whole number" if self.kind == "whole" else "a number"
        if math.isfinite(self.low) and math.isfinite(self.high):
            return f"{kind} from {self.low:.10g} to {self.high:.10g}{unit}"
        return f"{kind} of at least {self.low:g}{unit}" if math.isfinite(self.low) else f"{kind}{unit}"

    def value_of(self, text: str) -> Value:
        """Turn the text that was typed into the option's value.

        Raises ``UsageError`` naming the option, what was typed and what is allowed; an empty text is refused
        for every kind of value, since an empty name of a folder would mean the one in which one stands.

        >>> number = Option("--rpm", "speed_rpm", "number", "the speed", "speed", low=300, high=8000)
        >>> number.value_of("780")
        780.0
        """
        if self.kind == "text" and not text.strip():
            raise UsageError(
                f"{self.flag} is empty: {self.help}",
                got=f'"{text}"',
                allowed=self.metavar or "a text",
                todo="write what is meant after it, or leave the option out",
            )
        if self.kind in ("text", "flag"):
            return text
        try:
            value: float | int = int(text) if self.kind == "whole" else float(text)
        except ValueError:
            value = math.nan
        if "_" in text or not text.isascii():
            # The language's own grouping of digits is meant by nobody at a car, and digits of another script
            # would hold here and not in marks and answers.
            value = math.nan
        if math.isnan(value) or not self.low <= value <= self.high or math.isinf(value):
            raise UsageError(
                f"{self.flag} cannot be used: {self.help}",
                got=text if text.strip() else f'"{text}"',
                allowed=self.allowed,
                todo="write the decimals with a point"
                if self.kind == "number" and _DECIMAL_COMMA.fullmatch(text.strip())
                else "correct it, or leave it out if it is not known",
            )
        return value


_CAR_OPTIONS = tuple(
    Option(
        setting.option,
        setting.field,
        "whole" if setting.kind == "whole" else "number",
        "the car",
        setting.help,
        metavar=setting.unit.upper() or "N",
        low=setting.low,
        high=setting.high,
        unit=setting.unit,
        of_car=True,
    )
    for setting in SETTINGS
    if setting.field and setting.field != "name"
)

LIFE_OPTIONS: tuple[Option, ...] = (
    Option(
        "--age",
        "age_years",
        "number",
        "the car",
        "the car's age; it moves the odds of the causes",
        metavar="YEARS",
        low=0,
        high=100,
        unit="years",
    ),
    Option(
        "--mileage",
        "mileage_km",
        "number",
        "the car",
        "the car's mileage; it moves the odds of the causes",
        metavar="KM",
        low=0,
        high=3000000,
        unit="km",
    ),
    Option(
        "--renewed",
        "renewed",
        "text",
        "the car",
        "parts renewed in the last weeks or months, for example belt,pump,fluid",
        metavar="PARTS",
    ),
)
"""What is known of the car's life; it changes how likely each cause is beforehand."""

PRICES_OPTION = Option(
    "--prices",
    "prices",
    "text",
    "the answer",
    "file (TOML) of prices of your own, in a currency of your own",
    metavar="FILE",
    default="typical bands in EUR",
)

ANALYSE_OPTIONS: tuple[Option, ...] = (
    Option(
        "--json", "json", "flag", "the answer", "print one JSON object a clip and a line, in the order given"
    ),
    Option(
        "--out",
        "out",
        "text",
        "the answer",
        "write NAME.png (pictures) and NAME.json for every clip into this folder",
        metavar="FOLDER",
    ),
    Option(
        "--quiet",
        "quiet",
        "flag",
        "the answer",
        "print one line a clip instead of the report, and no progress",
    ),
    Option(
        "--vehicle",
        "vehicle",
        "text",
        "the car",
        "file (TOML) that says what is known of the car; the options below override it",
        metavar="FILE",
    ),
    *_CAR_OPTIONS,
    *LIFE_OPTIONS,
    PRICES_OPTION,
    Option(
        "--rpm",
        "speed_rpm",
        "number",
        "the engine speed",
        "steady engine speed, read from the car",
        metavar="RPM",
        default="found by ear",
        low=200,
        high=9000,
        unit="rpm",
    ),
    Option(
        "--rpm-table",
        "speed_table",
        "text",
        "the engine speed",
        "engine speed over time: a CSV file with the columns time_s and rpm",
        metavar="CSV",
    ),
    Option(
        "--tach-channel",
        "tach_channel",
        "whole",
        "the engine speed",
        "channel of the clip, counted from 1, that carries speed pulses",
        metavar="N",
        low=1,
        high=64,
    ),
    Option(
        "--tach-file",
        "tach_file",
        "text",
        "the engine speed",
        "recording of speed pulses made with the clip; the course of the speed shows where they meet",
        metavar="FILE",
    ),
    Option(
        "--pulses-per-rev",
        "pulses_per_rev",
        "number",
        "the engine speed",
        "pulses for one turn of the crankshaft, with --tach-channel or --tach-file",
        metavar="X",
        low=0.25,
        high=200,
    ),
    Option(
        "--missing-teeth",
        "missing_teeth",
        "whole",
        "the engine speed",
        "teeth that a crank sensor's wheel lacks in a turn; --pulses-per-rev counts them too (58 of 60: 2)",
        metavar="N",
        low=0,
        high=10,
    ),
    Option(
        "--steering",
        "steering_marks",
        "text",
        "the steering",
        "what the wheel did, as text with times in seconds",
        metavar="TEXT",
        default="inferred",
    ),
    Option(
        "--steering-table",
        "steering_table",
        "text",
        "the steering",
        "what the wheel did, as a CSV file with the columns start_s, end_s and phase",
        metavar="CSV",
    ),
    Option(
        "--channel",
        "channel",
        "whole",
        "the recording",
        "channel to listen to, counted from 1",
        metavar="N",
        default="chosen",
        low=1,
        high=64,
    ),
    Option(
        "--saw",
        "saw",
        "text",
        "what was seen",
        "answer to one of the questions about the car, for example fluid_level=low",
        metavar="KEY=ANSWER",
        repeats=True,
    ),
)


TRAIN_OPTIONS: tuple[Option, ...] = (
    Option(
        "--clips",
        "clips",
        "whole",
        "training",
        "how many clips are simulated to train on, beside other sounds and copies as programs pass them on",
        metavar="N",
        low=40,
        high=100000,
        preset=1500,
    ),
    Option(
        "--speed-clips",
        "speed_clips",
        "whole",
        "training",
        "how many clips the engine-speed weights are learnt from first; 0 keeps the shipped ones",
        metavar="N",
        low=0,
        high=100000,
        preset=0,
    ),
    Option(
        "--keep-comb",
        "keep_comb",
        "flag",
        "training",
        "of the engine-speed weights learn only the choice between readings, the comb stays as shipped",
    ),
    Option(
        "--seed",
        "seed",
        "whole",
        "training",
        "start of all randomness; the same seed gives the same model to the bit",
        metavar="N",
        low=0,
        high=2**31 - 1,
        preset=0,
    ),
    Option(
        "--out",
        "out",
        "text",
        "training",
        "folder for the model and its card",
        metavar="FOLDER",
        default="that of the shipped model",
    ),
    Option(
        "--workers",
        "workers",
        "whole",
        "training",
        "processes at once; the result does not depend on it",
        metavar="N",
        default="the cores of this machine",
        low=1,
        high=512,
    ),
    Option(
        "--add",
        "add",
        "text",
        "training",
        "folder of labelled clips of your own to train on as well",
        metavar="FOLDER",
    ),
    Option(
        "--keep",
        "keep",
        "text",
        "training",
        "folder where measured rows are kept for the next training",
        metavar="FOLDER",
    ),
)


def options_table(options: tuple[Option, ...] = ANALYSE_OPTIONS) -> str:
    """Give the options as a Markdown table, one row each, as it stands in README.md.

    >>> options_table(ANALYSE_OPTIONS[:1]).splitlines()[0]
    '| option | default | what it does |'
    """
    rows = ["| option | default | what it does |", "|---|---|---|"]
    for option in options:
        name = f"`{option.flag} {option.metavar}`" if option.metavar else f"`{option.flag}`"
        more = " (may be repeated)" if option.repeats else " (several may follow)" if option.many else ""
        span = f"; {option.allowed}" if math.isfinite(option.low) else ""
        rows.append(f"| {name} | {option.said_default} | {option.help}{span}{more} |")
    return "\n".join(rows)
