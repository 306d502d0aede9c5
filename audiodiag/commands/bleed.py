"""`audiodiag bleed`: is the air out of the steering yet?"""

from __future__ import annotations

import argparse

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
from audiodiag.options import ANALYSE_OPTIONS, Option

__all__ = ["OPTIONS", "run"]

TAKEN = ("speed_rpm", "steering_marks", "steering_table")
"""Options of `analyse` that mean the same here."""
OPTIONS: tuple[Option, ...] = (
    Option(
        "--cycle", "cycle_s", "number", "the steering", "how long the wheel takes from lock to lock and back",
        metavar="SECONDS", default="from the steering, or 8 s", low=2, high=120, unit="s",
    ),
    *(option for option in ANALYSE_OPTIONS if option.field in TAKEN),
    *ANSWER,
    *CAR,
)  # fmt: skip


def run(wanted: argparse.Namespace) -> int:
    """Watch the air through the cycles of one long recording, or of several in their order."""
    refuse_missing(wanted.clips, "of the bleeding", "audiodiag bleed my_bleeding.m4a")
    given = settings_from(wanted, OPTIONS)
    cycle_s = given.pop("cycle_s", None)
    if len(wanted.clips) > 1 and {"steering_marks", "steering_table"} & given.keys():
        raise UsageError(
            "the steering belongs to one recording",
            got=f"{len(wanted.clips)} recordings",
            allowed="one recording with --steering or --steering-table",
            todo="state the length of a cycle with --cycle instead",
        )
    folder = folder_of(wanted.out)
    from audiodiag.causes import cautions_for, load_knowledge
    from audiodiag.comparison import watch_bleed
    from audiodiag.report.compared_json import bleed_to_dict
    from audiodiag.report.compared_text import bleed_report

    analyses = analysed(wanted.clips, given)
    watch = watch_bleed(analyses, cycle_s=cycle_s)
    if folder is not None:
        from audiodiag.files import write_bytes_whole
        from audiodiag.report.compared_figures import bleed_png, title_of

        write_bytes_whole(
            folder / "bleed.png", bleed_png(watch, title=title_of(analyses, "Air in the fluid"))
        )
    cautions = cautions_for(["cavitation_groan"], [], knowledge=load_knowledge())
    values = bleed_to_dict(watch, analyses, cautions)
    printed(wanted, bleed_report(watch, analyses, width=width()), values, folder, "bleed")
    return 3 if watch.state in ("too_few", "unrecognised") else 0
