"""What the commands over several recordings share: read them all, name a folder, print text or JSON."""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.commands.inputs import folder_for, settings_of, values_of
from audiodiag.errors import UsageError
from audiodiag.options import ANALYSE_OPTIONS, Option

if TYPE_CHECKING:
    from audiodiag.records import Analysis

__all__ = ["ANSWER", "CAR", "analysed", "folder_of", "printed", "refuse_missing", "settings_from", "width"]

WIDEST = 100
CAR: tuple[Option, ...] = tuple(option for option in ANALYSE_OPTIONS if option.group == "the car")
"""The options that say what is known of the car."""
ANSWER: tuple[Option, ...] = (
    Option("--json", "json", "flag", "the answer", "print one JSON object instead of the text"),
    Option(
        "--out", "out", "text", "the answer", "write pictures and JSON into this folder", metavar="FOLDER"
    ),
)
"""How the answer is given."""


def settings_from(wanted: argparse.Namespace, options: Iterable[Option]) -> dict[str, Any]:
    """Give the checked values of the options by field, the car joined to ``vehicle`` where it is stated."""
    return settings_of(values_of(wanted, options), [])


def analysed(clips: Sequence[str], settings: dict[str, Any]) -> list[Analysis]:
    """Analyse each recording with the same settings; a bad one raises in words that name it."""
    from audiodiag.analysis import analyse

    return [analyse(clip, **settings) for clip in clips]


def refuse_missing(clips: Sequence[str] | None, what: str, example: str) -> None:
    """Refuse a side or a list without recordings."""
    if not clips:
        raise UsageError(
            f"no recording {what} is named",
            got="no file",
            allowed="one or more recordings",
            todo=example,
        )


def folder_of(out: str | None) -> Path | None:
    """Make the folder for pictures where one is named."""
    made = folder_for([], out)
    return None if made is None else Path(made)


def width() -> int:
    """Columns of the text."""
    return min(WIDEST, shutil.get_terminal_size((80, 24)).columns) if sys.stdout.isatty() else 80


def printed(
    wanted: argparse.Namespace, text: str, values: dict[str, Any], folder: Path | None, stem: str
) -> None:
    """Print the answer as text or JSON, and keep the JSON in the folder."""
    from audiodiag.files import write_text_whole
    from audiodiag.report.jsonform import to_json_line

    line = to_json_line(values) + "\n"
    if folder is not None:
        write_text_whole(folder / f"{stem}.json", line)
    sys.stdout.write(line if wanted.json else text)
