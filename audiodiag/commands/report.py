"""`audiodiag report`: one page in one file that says, shows and plays what was found."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.commands.compare import ONE_PHONE, SIDE_FACTS, SIDE_NAMES, side_settings
from audiodiag.commands.inputs import refuse_contradictions, refuse_odd_tables, settings_of, values_of
from audiodiag.errors import UsageError
from audiodiag.options import ANALYSE_OPTIONS, Option

if TYPE_CHECKING:
    from audiodiag.comparison import Comparison
    from audiodiag.records import Analysis

__all__ = ["LANGUAGE", "OPTIONS", "STATED", "refuse_ending", "run"]

LANGUAGE = Option(
    "--language",
    "language",
    "text",
    "the answer",
    "language of the page: en or de",
    metavar="CODE",
    preset="en",
)
"""In which language the page speaks."""
STATED: tuple[Option, ...] = tuple(
    option for option in ANALYSE_OPTIONS if option.group != "the answer" or option.field == "prices"
)
"""What may be stated of car, speed, steering, recording and of what was seen."""
_SIDES = "the sides"
OPTIONS: tuple[Option, ...] = (
    Option("--out", "out", "text", "the answer", "the file to write; needed", metavar="FILE.html"),
    LANGUAGE,
    Option(
        "--without-parts",
        "without_parts",
        "flag",
        "the answer",
        "leave the parts to listen to out of the page; it is made faster and gets smaller",
    ),
    Option(
        "--after",
        "after",
        "text",
        _SIDES,
        "recordings made after the work; those named first were then made before it",
        metavar="CLIP",
        many=True,
    ),
    *SIDE_NAMES,
    *SIDE_FACTS,
    ONE_PHONE,
    *STATED,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Write the page; exit code 3 where nothing can be told from any recording."""
    before, after = list(wanted.clips), list(wanted.after or [])
    given = values_of(wanted, OPTIONS)
    refuse_contradictions([*before, *after], given)
    refuse_odd_tables(given)
    if not before:
        raise UsageError(
            "no recording made before the work is named",
            got="--after alone",
            allowed="one or more recordings on each side",
            todo="audiodiag report before.m4a --after after.m4a --out report.html",
        )
    out = refuse_ending(given.pop("out", None), ".html", f"audiodiag report {before[0]} --out report.html")
    language = str(given.pop("language", LANGUAGE.preset))
    names = (given.pop("before_name", None), given.pop("after_name", None))
    facts = {option.field: given.pop(option.field) for option in SIDE_FACTS if option.field in given}
    _refuse_odd_facts(facts, given, after)
    settings = settings_of(given, wanted.saw or [])
    from audiodiag.files import write_text_whole
    from audiodiag.report.language import load_sentences
    from audiodiag.report.listened import page_clip
    from audiodiag.report.page import report_page

    s = load_sentences(language)  # refuses an unknown language before the work
    clips = []
    for side, names_of_clips in (("before", before), ("after", after)):
        if side == "after":
            settings.pop("observations", None)  # what was seen was seen before the work
        stated = {name: value for name, value in side_settings(facts, side).items() if value is not None}
        clips += [
            page_clip(name, settings | stated, parts=not wanted.without_parts) for name in names_of_clips
        ]
    analyses = [clip.analysis for clip in clips]
    found = None
    if after:
        first, second = names[0] or s.say("comparison.before"), names[1] or s.say("comparison.after")
        sides = analyses[: len(before)], analyses[len(before) :]
        found = _compared(*sides, (first, second), settings, one_phone=bool(wanted.one_phone))
    page = report_page(clips, comparison=found, language=language)
    write_text_whole(out, page)
    print(f"{out}: {len(page.encode('utf-8')) / 1e6:.1f} MB, one file, nothing else is needed to read it")
    return 0 if any(found.verdict.kind in ("symptoms", "normal") for found in analyses) else 3


def refuse_ending(out: str | None, ending: str, example: str) -> Path:
    """Refuse a missing name of the file to write, one with another ending, or a folder; give the path."""
    if out is None or Path(out).suffix.lower() != ending or Path(out).is_dir():
        raise UsageError(
            "the command must be told which file to write",
            got="no --out" if out is None else out,
            allowed=f"--out and a file whose name ends in {ending}",
            todo=example,
        )
    return Path(out)


def _refuse_odd_facts(facts: dict[str, Any], given: dict[str, Any], after: list[str]) -> None:
    """Refuse what is stated of a side where there are none, and a speed that is stated twice."""
    flags = {option.field: option.flag for option in SIDE_FACTS}
    if facts and not after:
        said = flags[next(iter(facts))]
        raise UsageError(
            f"{said} belongs to one of two sides, and there are none",
            got=f"{said} without --after",
            allowed=f"{said} with --after",
            todo="name the recordings made after the work with --after, or state --rpm and --steering",
        )
    speeds = [flags[name] for name in ("before_rpm", "after_rpm") if name in facts]
    others = {"speed_rpm": "--rpm", "tach_channel": "--tach-channel"}
    stated = [flag for name, flag in others.items() if name in given]
    if speeds and stated:
        raise UsageError(
            "the engine speed is stated twice",
            got=f"{stated[0]} and {speeds[0]}",
            allowed="one speed for all recordings, or one for each side",
            todo="keep the one you trust most",
        )


def _compared(
    before: list[Analysis],
    after: list[Analysis],
    names: tuple[str, str],
    settings: dict[str, Any],
    *,
    one_phone: bool,
) -> Comparison:
    from audiodiag.comparison import compare_sides

    vehicle = settings.get("vehicle")
    return compare_sides(before, after, names=names, vehicle=vehicle, one_phone=one_phone)
