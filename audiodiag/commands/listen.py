"""`audiodiag listen`: the parts of a clip as sound, each alone, so that an ear can judge what was found."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from audiodiag.commands.inputs import (
    folder_for,
    refuse_contradictions,
    refuse_odd_tables,
    settings_of,
    values_of,
)
from audiodiag.errors import UsageError
from audiodiag.options import ANALYSE_OPTIONS, Option

if TYPE_CHECKING:
    from audiodiag.records import Analysis
    from audiodiag.vehicle import Vehicle

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = (
    Option(
        "--out",
        "out",
        "text",
        "the answer",
        "folder for NAME-PART.flac, one for each part, and NAME-parts.json; needed",
        metavar="FOLDER",
    ),
    *(option for option in ANALYSE_OPTIONS if option.group not in ("the answer", "what was seen")),
)


def run(wanted: argparse.Namespace) -> int:
    """Write the parts of one clip and say what they are."""
    clips = [wanted.clip] if wanted.clip else []
    given = values_of(wanted, OPTIONS)
    refuse_contradictions(clips, given)
    refuse_odd_tables(given)
    if "out" not in given:
        raise UsageError(
            "listen writes sound and must be told where",
            got="no --out",
            allowed="--out and the name of a folder",
            todo=f"audiodiag listen {wanted.clip} --out parts",
        )
    settings = settings_of(given, [])
    folder = folder_for(clips, given["out"])
    assert folder is not None
    from audiodiag.analysis import analyse

    analysis = analyse(wanted.clip, **settings)
    return _write(analysis, settings.get("vehicle"), Path(folder), Path(wanted.clip).stem)


def _write(analysis: Analysis, vehicle: Vehicle | None, folder: Path, stem: str) -> int:
    """Split the clip, write the parts and print what they are."""
    from audiodiag.report.listened import planned_parts
    from audiodiag.report.partsform import PART_WORDS, doubt_words, odd_vanes_words, write_parts
    from audiodiag.report.wording import is_simulated, percent, speed_source_words

    clip, speed = analysis.clip, analysis.speed
    planned = planned_parts(analysis, vehicle)
    pump, plan, left_out = planned.pump, planned.plan, planned.left_out
    parts = plan.split(clip.samples, clip.sample_rate_hz)
    written = write_parts(parts, analysis, folder, pump=pump, stem=stem, left_out=left_out)
    simulated = ", a simulated clip" if is_simulated(clip) and "simulated" not in clip.name.lower() else ""
    print(f"{_printable(clip.name)}{simulated}: {len(written)} parts that add up to it")
    doubt = doubt_words(analysis)
    if doubt is not None:
        print(doubt)
    if speed.known:
        sure = f", {percent(speed.confidence)} sure" if speed.source == "acoustic" else ""
        print(f"engine speed {speed_source_words(speed)}, median {speed.median_rpm:.0f} rpm{sure}")
    else:
        print("engine speed unknown: engine and pump stay in the rest; state it with --rpm")
    if "pump" not in left_out:
        why = odd_vanes_words(pump)
        where = f"pump tones sought from order {pump.first_order:.2f} on, {pump.source}"
        print(where if why is None else f"{where}. {why}")
    elif speed.known and doubt is None:
        print(
            "no whine of a pump is heard: its tones, if any, stay in the rest; "
            "state --pump-ratio and --vanes to seek them all the same"
        )
    for part in written:
        level = "silent" if part.level_db is None else f"{part.level_db:.0f} dB"
        told = "" if part.probability is None else f"; such a sound is {percent(part.probability)} likely"
        print(f"  {_printable(part.file)}  {level}: {PART_WORDS[part.name]}{told}")
    for part in written:
        if part.note is not None:
            print(part.note)
    print(
        "Levels are relative to the clip. A part holds what is most like it, also where none of it is there."
    )
    return 0


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)
