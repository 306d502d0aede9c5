"""`audiodiag case`: the cases of a desk from the shell, beside a desk that runs or without one."""

from __future__ import annotations

import argparse
import getpass
import importlib.util
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.commands.inputs import values_of
from audiodiag.errors import UsageError
from audiodiag.options import ANALYSE_OPTIONS, LIFE_OPTIONS, Option

if TYPE_CHECKING:
    from audiodiag.desk.hand import DeskAtHand

__all__ = ["OPTIONS", "run"]

_NEEDS = ("sqlalchemy", "alembic")
_CAR = ("cylinders", "pump_ratio", "vanes", "crank_pulley_mm", "pump_pulley_mm", "belt_length_mm")
_DESK, _CASE, _RECORDING, _ASKED = "the desk", "the case", "the recording", "what is asked for"
OPTIONS: tuple[Option, ...] = (
    Option(
        "--folder", "folder", "text", _DESK, "where cases and recordings are kept", metavar="FOLDER",
        default="audiodiag_desk in your home",
    ),
    Option(
        "--database", "database", "text", _DESK, "address of another database than the file in the folder",
        metavar="ADDRESS",
    ),
    Option(
        "--who", "who", "text", _DESK, "your name, for the list of who did what", metavar="NAME",
        default="your name at this machine",
    ),
    Option("--json", "json", "flag", _DESK, "print JSON, as the desk's calls answer it"),
    Option(
        "--wait", "wait", "flag", _DESK,
        "wait until what was added or asked for is done; where no desk runs, do it here",
    ),
    Option(
        "--show", "show", "text", _CASE, "which cases list shows: new, open, urgent, answered, closed, all",
        metavar="WHICH", default="open",
    ),
    Option("--words", "words", "text", _CASE, "new: what is heard or felt; list: words in the name", metavar="TEXT"),  # noqa: E501
    Option("--cannot-drive", "cannot_drive", "flag", _CASE, "new: the car cannot be driven safely"),
    Option(
        "--days", "days", "whole", _CASE, "link: how long it holds", metavar="N", low=1, high=90, preset=14
    ),
    Option(
        "--at", "at", "text", _CASE, "link: address of the desk, as others call it", metavar="ADDRESS",
        default="http://127.0.0.1:8765",
    ),
    Option(
        "--made", "purpose", "text", _RECORDING, "add: made before or after the work", metavar="before|after"
    ),
    *(each for each in ANALYSE_OPTIONS if each.field in ("speed_rpm", "steering_marks")),
    Option(
        "--before", "before", "text", _ASKED, "compare: numbers of the recordings before the work", metavar="N",  # noqa: E501
        many=True,
    ),
    Option(
        "--after", "after", "text", _ASKED, "compare: numbers of those after it", metavar="N", many=True
    ),
    Option(
        "--one-phone", "one_phone", "flag", _ASKED,
        "compare: all were made with one phone at one place, the same way round",
    ),
    Option("--out", "out", "text", _ASKED, "pack: the file to write", metavar="FILE.zip"),
    *(each for each in ANALYSE_OPTIONS if each.field in _CAR),
    *LIFE_OPTIONS,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Do one deed with a case."""
    from audiodiag.commands.case_deeds import DEEDS, Doing

    deed = DEEDS.get(wanted.deed or "")
    if deed is None:
        raise UsageError(
            "it is not said what to do" if not wanted.deed else "this cannot be done with a case",
            got=wanted.deed or "nothing",
            allowed=", ".join(DEEDS),
            todo="audiodiag case list",
        )
    given = values_of(wanted, OPTIONS)
    least, most = deed.takes
    if not least <= len(wanted.what) <= most:
        raise UsageError(
            f"case {wanted.deed} takes {'more' if len(wanted.what) < least else 'fewer'} words",
            got=" ".join(["case", wanted.deed, *wanted.what]),
            allowed=f"audiodiag case {wanted.deed} {deed.usage}".strip(),
            todo="put a text of several words into quotation marks"
            if len(wanted.what) > most
            else "add what is missing",
        )
    hand = _at_hand(given, make=deed.makes)
    try:
        who = str(given.get("who") or _name())[:80]
        doing = Doing(hand, who, wanted.what, given, wanted, _tell())
        return deed.do(doing)
    finally:
        hand.close()


def _at_hand(given: dict[str, Any], *, make: bool) -> DeskAtHand:
    missing = [name for name in _NEEDS if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(
            "the desk's libraries are not installed",
            got=f"no {', '.join(missing)}",
            allowed='audiodiag with its extra "desk"',
            todo="in the folder of the project: python -m pip install '.[desk]'",
        )
    from audiodiag.desk.hand import DeskAtHand
    from audiodiag.desk.settings import DeskSettings

    folder = Path(given.get("folder") or Path.home() / "audiodiag_desk")
    settings = DeskSettings(folder, database=given.get("database"), workers=os.cpu_count() or 1)
    return DeskAtHand(settings, make=make)


def _name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "shell"


def _tell() -> Callable[[str], None]:
    """Give a function that rewrites one line where a person watches."""
    if not sys.stderr.isatty():
        return lambda _: None

    def tell(text: str) -> None:
        sys.stderr.write(f"\r\x1b[K{text}")
        sys.stderr.flush()

    return tell
