"""`audiodiag compare`: has the work changed anything?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

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
from audiodiag.options import Option

__all__ = ["ONE_PHONE", "OPTIONS", "SIDE_FACTS", "SIDE_NAMES", "run", "side_settings"]

_SIDES = "the sides"
ONE_PHONE = Option(
    "--one-phone", "one_phone", "flag", _SIDES,
    "all recordings were made with one phone at one place, the same way round: smaller changes can then be "
    "told; a warning is given where the engine sounds otherwise",
)  # fmt: skip
"""States that nothing was moved between the sides."""
SIDE_NAMES: tuple[Option, ...] = (
    Option(
        "--before-name", "before_name", "text", _SIDES, "what the first side is called",
        metavar="TEXT", preset="before",
    ),
    Option(
        "--after-name", "after_name", "text", _SIDES, "what the second side is called",
        metavar="TEXT", preset="after",
    ),
)  # fmt: skip
"""What the sides are called."""
SIDE_FACTS: tuple[Option, ...] = (
    Option(
        "--before-rpm", "before_rpm", "number", _SIDES, "steady engine speed in the first side's recordings",
        metavar="RPM", default="found by ear", low=200, high=9000, unit="rpm",
    ),
    Option(
        "--after-rpm", "after_rpm", "number", _SIDES, "steady engine speed in the second side's recordings",
        metavar="RPM", default="found by ear", low=200, high=9000, unit="rpm",
    ),
    Option(
        "--before-steering", "before_steering", "text", _SIDES,
        "what the wheel did in every recording of the first side, as text with times in seconds",
        metavar="TEXT", default="unknown",
    ),
    Option(
        "--after-steering", "after_steering", "text", _SIDES,
        "what the wheel did in every recording of the second side, as text with times in seconds",
        metavar="TEXT", default="unknown",
    ),
)  # fmt: skip
"""What may be stated of all recordings of one side: engine speed and steering."""
OPTIONS: tuple[Option, ...] = (
    Option(
        "--after", "after", "text", _SIDES, "recordings made after the work", metavar="CLIP", many=True
    ),
    *SIDE_NAMES,
    *SIDE_FACTS,
    Option(
        "--symptom", "symptom", "text", _SIDES,
        "compare this sound although the program may not recognise it, for example pump_whine",
        metavar="NAME", repeats=True,
    ),
    ONE_PHONE,
    *ANSWER,
    *CAR,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Compare two sides of recordings; 3 where nothing can be told of any symptom."""
    refuse_missing(wanted.before, "made before the work", "audiodiag compare before.m4a --after after.m4a")
    refuse_missing(wanted.after, "made after the work", "audiodiag compare before.m4a --after after.m4a")
    given: dict[str, Any] = settings_from(wanted, OPTIONS)
    folder = folder_of(wanted.out)
    from audiodiag.comparison import compare_sides
    from audiodiag.report.compared_json import comparison_to_dict
    from audiodiag.report.compared_text import comparison_report

    sides = []
    for side, clips in (("before", wanted.before), ("after", wanted.after)):
        sides.append(analysed(clips, {"vehicle": given.get("vehicle")} | side_settings(given, side)))
    names = (str(given.get("before_name", "before")), str(given.get("after_name", "after")))
    found = compare_sides(
        *sides,
        names=names,
        symptoms=wanted.symptom or (),
        vehicle=given.get("vehicle"),
        one_phone=bool(wanted.one_phone),
    )
    if folder is not None:
        _write(found, folder)
    printed(wanted, comparison_report(found, width=width()), comparison_to_dict(found), folder, "comparison")
    return 0 if any(change.word != "cannot_tell" for change in found.symptoms) else 3


def side_settings(given: dict[str, Any], side: str) -> dict[str, Any]:
    """Give what ``analyse`` takes of what was stated of a side (``before``, ``after``); None: not stated."""
    return {"speed_rpm": given.get(f"{side}_rpm"), "steering_marks": given.get(f"{side}_steering")}


def _write(found: Any, folder: Path) -> None:
    """Write the pictures and the sound to listen to."""
    from audiodiag.comparison.listening import alternation_flac
    from audiodiag.files import write_bytes_whole
    from audiodiag.report.compared_figures import change_maps_png, changes_png, title_of

    sides = (*found.before, *found.after)
    title = title_of(sides, f"{found.names[0]} and {found.names[1]}")
    write_bytes_whole(folder / "changes.png", changes_png(found, title=title))
    if found.maps is not None:
        write_bytes_whole(folder / "maps.png", change_maps_png(found.maps, found.names, title=title))
    if found.listening is not None:
        write_bytes_whole(folder / "in_turn.flac", alternation_flac(found.listening, title=title))
