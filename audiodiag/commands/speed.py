"""`audiodiag speed`: the engine speed of a clip over time, how sure it is, and why."""

from __future__ import annotations

import argparse
from pathlib import Path

from audiodiag.commands.inputs import (
    folder_for,
    refuse_contradictions,
    refuse_odd_tables,
    settings_of,
    values_of,
)
from audiodiag.options import ANALYSE_OPTIONS, Option

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = (
    Option("--json", "json", "flag", "the answer", "print one JSON object instead of the text"),
    Option(
        "--out",
        "out",
        "text",
        "the answer",
        "write NAME-speed.png (the curve over a picture of the orders) and NAME-speed.csv, which --rpm-table "
        "reads, into this folder",
        metavar="FOLDER",
    ),
    *(
        option
        for option in ANALYSE_OPTIONS
        if option.group in ("the car", "the engine speed", "the recording")
    ),
)


def run(wanted: argparse.Namespace) -> int:
    """Print the speed of one clip and why it is sure or not; exit code 3 where no engine is followed."""
    clips = [wanted.clip] if wanted.clip else []
    given = values_of(wanted, OPTIONS)
    refuse_contradictions(clips, given)
    refuse_odd_tables(given)
    settings = settings_of(given, [])
    folder = folder_for(clips, given.get("out"))
    from audiodiag.analysis import engine_followed
    from audiodiag.clip import assess_quality, bridged, read_clip
    from audiodiag.report.speedform import speed_csv, speed_png, speed_text, speed_to_json
    from audiodiag.rows import CANNOT_TELL, DIAGNOSIS
    from audiodiag.speed.chosen import speed_of_clip

    channel = settings.pop("channel", None)
    vehicle = settings.pop("vehicle", None)
    clip = read_clip(wanted.clip, channel=channel)
    quality = assess_quality(clip)
    clip = bridged(clip, quality)
    speed = speed_of_clip(clip, quality, vehicle=vehicle, **settings)
    if folder is not None and speed.known:
        from audiodiag.files import write_bytes_whole, write_text_whole

        stem = Path(folder) / Path(wanted.clip).stem
        write_bytes_whole(f"{stem}-speed.png", speed_png(clip, speed))
        write_text_whole(f"{stem}-speed.csv", speed_csv(speed))
    print(speed_to_json(clip, quality, speed) if wanted.json else speed_text(clip, quality, speed))
    return DIAGNOSIS if engine_followed(speed) else CANNOT_TELL
