"""`audiodiag trend`: how has each sound gone over months?"""

from __future__ import annotations

import argparse
import datetime
import math
import re
from contextlib import suppress

from audiodiag.commands.many import (
    ANSWER,
    CAR,
    analysed,
    folder_of,
    printed,
    refuse_missing,
    settings_from,
    width,
)
from audiodiag.errors import UsageError
from audiodiag.options import Option

__all__ = ["OPTIONS", "run"]

FEWEST = 3
"""Recordings below which there is no course, as `audiodiag.comparison.trend` has it."""
MOST = 1e7
"""Mileage beyond which none is believed, in whichever unit."""
_UNITS = {"": "km", "km": "km", "mi": "miles", "mile": "miles", "miles": "miles"}
"""What may stand behind a mileage, and the unit that it means."""

_THOUSANDS = re.compile(r"\d{1,3}(\.\d{3})+")
"""A number that has a point where some write one between thousands."""

OPTIONS: tuple[Option, ...] = (
    Option(
        "--at", "at", "text", "the axis",
        "for every recording in turn its date (2026-03-31) or its mileage (64000km or 40000mi; bare: km)",
        metavar="WHEN", many=True,
    ),
    *ANSWER,
    *CAR,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Follow every symptom over date or mileage."""
    refuse_missing(
        wanted.clips, "of the car", "audiodiag trend a.m4a b.m4a c.m4a --at 2026-01-10 2026-02-14 2026-04-02"
    )
    twice = sorted({clip for clip in wanted.clips if wanted.clips.count(clip) > 1})
    if twice:
        raise UsageError(
            "one recording stands twice",
            got=twice[0],
            allowed="each recording once",
            todo="name it once, with its one date or mileage",
        )
    at, unit = _axis(wanted.clips, wanted.at or [])
    given = settings_from(wanted, OPTIONS)
    folder = folder_of(wanted.out)
    from audiodiag.causes import cautions_for, load_knowledge
    from audiodiag.comparison import symptom_trends
    from audiodiag.report.compared_json import trend_to_dict
    from audiodiag.report.compared_text import trend_report

    analyses = analysed(wanted.clips, given)
    trends = symptom_trends(analyses, at, unit=unit)
    if folder is not None:
        from audiodiag.files import write_bytes_whole
        from audiodiag.report.compared_figures import title_of, trend_png

        picture = trend_png(trends, unit=unit, title=title_of(analyses, "Level of each sound"))
        write_bytes_whole(folder / "trend.png", picture)
    cautions = cautions_for(sorted(trend.name for trend in trends), [], knowledge=load_knowledge())
    values = trend_to_dict(trends, analyses, unit=unit, cautions=cautions)
    first_day = min(map(datetime.date.fromisoformat, wanted.at)) if unit == "day" else None
    text = trend_report(trends, analyses, unit=unit, width=width(), first_day=first_day)
    printed(wanted, text, values, folder, "trend")
    return 0 if trends else 3


def _axis(clips: list[str], said: list[str]) -> tuple[list[float], str]:
    """Turn dates into days since the first, or take the numbers as mileage; give the axis's unit as well."""
    if len(said) != len(clips):
        raise UsageError(
            "every recording needs its date or mileage",
            got=f"{len(clips)} recording{'s' * (len(clips) != 1)} and {len(said)} "
            f"{'date or mileage' if len(said) == 1 else 'dates or mileages'}",
            allowed="as many places after --at as there are recordings, in the same order",
            todo="state --at with one date or number for each",
        )
    if len(clips) < FEWEST:
        raise UsageError(
            "a course over time needs more recordings",
            got=f"{len(clips)} recording{'s' * (len(clips) != 1)}",
            allowed=f"at least {FEWEST} recordings, made at two or more different dates or mileages",
            todo="add recordings, or compare two of them with audiodiag compare",
        )
    plain = all(text.isascii() and "_" not in text for text in said)
    with suppress(ValueError):
        days = [datetime.date.fromisoformat(text).toordinal() for text in said]
        return _refuse_one_place([float(day - min(days)) for day in days], said), "day"
    parted = [_parted(text) for text in said]
    units = {_UNITS.get(unit, unit) for _, unit in parted}
    try:
        numbers = [float(number) for number, _ in parted] if plain else [math.nan]
    except ValueError:
        numbers = [math.nan]
    if all(map(math.isfinite, numbers)) and units == {"km", "miles"}:
        raise UsageError(
            "the mileages do not all have one unit",
            got=" ".join(said),
            allowed="all in km (bare numbers are km) or all with mi behind",
            todo="write all of them in the same unit",
        )
    if all(_THOUSANDS.fullmatch(number) for number, _ in parted):
        raise UsageError(
            "the point in the mileages can mean two things",
            got=" ".join(said),
            allowed="64000km for sixty-four thousand, 64.0km for sixty-four",
            todo="leave out the point between the thousands",
        )
    if not all(math.isfinite(number) for number in numbers) or not units <= {"km", "miles"}:
        raise UsageError(
            "--at cannot be understood",
            got=" ".join(said),
            allowed="dates such as 2026-03-31 for all, or numbers for all (64000, 64000km or 40000mi)",
            todo="write all of them in the same way",
        )
    if min(numbers) < 0.0:
        raise UsageError(
            "a mileage cannot be negative",
            got=" ".join(said),
            allowed="0 or more, or dates such as 2026-03-31",
            todo="write what the car's counter showed at each recording",
        )
    if max(numbers) > MOST:
        raise UsageError(
            "a mileage is too large",
            got=" ".join(said),
            allowed=f"0 to {MOST:.0f}, or dates such as 2026-03-31",
            todo="write what the car's counter showed at each recording",
        )
    return _refuse_one_place(numbers, said), units.pop()


def _parted(text: str) -> tuple[str, str]:
    """Part a mileage into its number and the letters of its unit, in small letters.

    >>> _parted("64000km"), _parted("40000 Mi"), _parted("5"), _parted("nan")
    (('64000', 'km'), ('40000', 'mi'), ('5', ''), ('nan', ''))
    """
    number = text.strip().rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
    unit = text.strip()[len(number) :].lower()
    return (number.strip(), unit) if number.strip() else (text, "")


def _refuse_one_place(at: list[float], said: list[str]) -> list[float]:
    """Give the places back; refuse recordings that all stand at one, since that is no course."""
    if len(set(at)) < 2:
        raise UsageError(
            "all recordings were made at one date or mileage",
            got=" ".join(said),
            allowed=f"at least {FEWEST} recordings, made at two or more different dates or mileages",
            todo="state when each was made, or compare two sides with audiodiag compare",
        )
    return at
