"""`audiodiag listen`: the parts of a clip as sound, each alone, so that an ear can judge what was found."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass
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
    from audiodiag.orders.parts import PartsPlan
    from audiodiag.records import Analysis
    from audiodiag.report.partsform import PumpGuess
    from audiodiag.vehicle import Vehicle

__all__ = ["OPTIONS", "PlannedParts", "planned_parts", "run"]

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
LOOKED_FOR_FROM = 0.25
"""From this probability on bursts of a chirp are looked for, and a tone heard is taken for the pump's."""
NEAR = 0.03
"""A tone heard this near to a stated order (relative) is taken for it, and its order for the truer one."""


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


@dataclass(frozen=True, eq=False)
class PlannedParts:
    """How one analysed clip is split, where the pump was sought, and the parts that are not looked for."""

    plan: PartsPlan
    pump: PumpGuess
    left_out: frozenset[str]


def planned_parts(analysis: Analysis, vehicle: Vehicle | None = None) -> PlannedParts:
    """Choose from an analysis what to look for in its clip, and find the masks.

    Engine and pump need a speed; a chirp is looked for only where one is perhaps heard; the calm of the groan
    is taken from the wheel at rest where that was stated.
    """
    from audiodiag.orders.parts import plan_parts, pump_tone_orders

    clip, speed = analysis.clip, analysis.speed
    pump = _pump(analysis, vehicle)
    tones = pump_tone_orders(pump.first_order, pump.pump_ratio) if pump.first_order and speed.known else ()
    chirp = analysis.symptom("belt_chirp")
    hears_chirp = chirp.probability >= LOOKED_FOR_FROM
    stated = analysis.phases.source in ("marked", "tabled")
    calm = tuple((s.start_s, s.end_s) for s in analysis.phases.spans if stated and s.phase == "centre")
    plan = plan_parts(
        clip.samples,
        clip.sample_rate_hz,
        time_s=speed.time_s if speed.known else None,
        rpm=speed.rpm if speed.known else None,
        pump_orders=tones,
        pump_ratio=pump.pump_ratio,
        cylinders=speed.cylinders,
        chirp=hears_chirp,
        chirp_first=chirp.probability > analysis.symptom("belt_squeal").probability,
        chirp_spans_s=chirp.spans_s,
        calm_spans_s=calm,
    )
    absent = {"engine": not speed.known, "pump": not tones, "chirp": not hears_chirp}
    return PlannedParts(plan, pump, frozenset(name for name, off in absent.items() if off))


def _write(analysis: Analysis, vehicle: Vehicle | None, folder: Path, stem: str) -> int:
    """Split the clip, write the parts and print what they are."""
    from audiodiag.report.partsform import PART_WORDS, write_parts
    from audiodiag.report.wording import is_simulated, percent, speed_source_words

    clip, speed = analysis.clip, analysis.speed
    planned = planned_parts(analysis, vehicle)
    pump, plan, left_out = planned.pump, planned.plan, planned.left_out
    parts = plan.split(clip.samples, clip.sample_rate_hz)
    written = write_parts(parts, analysis, folder, pump=pump, stem=stem, left_out=left_out)
    simulated = ", a simulated clip" if is_simulated(clip) and "simulated" not in clip.name.lower() else ""
    print(f"{clip.name}{simulated}: {len(written)} parts that add up to it")
    if speed.known:
        sure = f", {percent(speed.confidence)} sure" if speed.source == "acoustic" else ""
        print(f"engine speed {speed_source_words(speed)}, median {speed.median_rpm:.0f} rpm{sure}")
    else:
        print("engine speed unknown: engine and pump stay in the rest; state it with --rpm")
    if "pump" not in left_out:
        print(f"pump tones sought from order {pump.first_order:.2f} on, {pump.source}")
    for part in written:
        level = "silent" if part.level_db is None else f"{part.level_db:.0f} dB"
        told = "" if part.probability is None else f"; such a sound is there with {percent(part.probability)}"
        print(f"  {part.file}  {level}: {PART_WORDS[part.name]}{told}")
    print(
        "Levels are relative to the clip. A part holds what is most like it, also where none of it is there."
    )
    return 0


def _pump(analysis: Analysis, vehicle: Vehicle | None) -> PumpGuess:
    """Where to seek the pump: as stated, made truer by the tone that was heard near by; else as heard."""
    from audiodiag.report.partsform import PumpGuess

    heard = analysis.measurements.get("whine_order", math.nan)
    ratio = vehicle.pump_ratio if vehicle else None
    vanes = vehicle.vanes if vehicle else None
    if ratio is not None and vanes is not None:
        stated = ratio * vanes
        for multiple in (1, 2):
            if abs(heard / (multiple * stated) - 1.0) < NEAR:
                truer = heard / multiple
                return PumpGuess(truer, ratio * truer / stated, "as stated and heard near by")
        return PumpGuess(stated, ratio, "as stated")
    if math.isfinite(heard):
        surely = analysis.symptom("pump_whine").probability >= LOOKED_FOR_FROM
        return PumpGuess(heard, ratio, "as heard" if surely else "a guess, for no pump is surely heard")
    return PumpGuess(None, ratio, "unknown")
