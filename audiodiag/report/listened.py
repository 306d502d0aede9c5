"""From a recording to what a page or a folder holds of it: its analysis, and how it is split into parts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiodiag.report.wording import HEARD_FROM

if TYPE_CHECKING:
    from audiodiag.orders.parts import PartsPlan
    from audiodiag.records import Analysis
    from audiodiag.report.page import PageClip
    from audiodiag.report.partsform import PumpGuess
    from audiodiag.vehicle import Vehicle

__all__ = ["PlannedParts", "page_clip", "planned_parts", "pump_sought"]

LOOKED_FOR_FROM = 0.25
"""From this probability on bursts of a chirp are looked for, and a tone heard is taken for the pump's."""
NEAR = 0.03
"""A tone heard this near to a stated order (relative) is taken for it, and its order for the truer one."""


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
    pump = pump_sought(analysis, vehicle)
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


def page_clip(
    path: str | Path, settings: dict[str, Any], *, parts: bool, name: str | None = None
) -> PageClip:
    """Analyse one recording and split it into parts, for the page.

    ``settings`` is what `audiodiag.analysis.analyse` takes; ``name`` what the page calls the recording, the
    path where it is not told.
    """
    from dataclasses import replace

    from audiodiag.analysis import analyse
    from audiodiag.clip import read_clip
    from audiodiag.report.page import PageClip

    source = path if name is None else replace(read_clip(path), name=name)
    analysis: Analysis = analyse(source, **settings)
    split = None
    if parts and analysis.verdict.kind in ("symptoms", "normal"):
        plan = planned_parts(analysis, settings.get("vehicle")).plan
        split = plan.split(analysis.clip.samples, analysis.clip.sample_rate_hz)
    return PageClip(analysis, split, str(path) if name is None else name)


def pump_sought(analysis: Analysis, vehicle: Vehicle | None) -> PumpGuess:
    """Where to seek the pump: as stated, made truer by the tone that was heard near by; else as heard.

    The first tone of a stated pump with an even number of vanes z is R z, with an odd one 2 R z; where such a
    one is heard at R z all the same, as with unequal outlets, it is sought from there on. Where no whine is
    heard, not even perhaps, a stated drive is kept as stated: the tone near by may be any part's. With no
    drive stated and no whine heard it is not sought: the tone found may be any part's.
    """
    from audiodiag.orders.pump import pump_ripple_orders
    from audiodiag.report.partsform import PumpGuess

    heard = analysis.measurements.get("whine_order", math.nan)
    ratio = vehicle.pump_ratio if vehicle else None
    vanes = vehicle.vanes if vehicle else None
    probability = analysis.symptom("pump_whine").probability
    if ratio is not None and vanes is not None:
        stated = pump_ripple_orders(vanes, ratio)[0]
        multiples = (1.0, 2.0) if vanes % 2 == 0 else (1.0, 2.0, 0.5)
        for multiple in multiples if probability >= LOOKED_FOR_FROM else ():
            if abs(heard / (multiple * stated) - 1.0) < NEAR:
                truer = heard / multiple
                source = "as stated and heard near by"
                first = min(heard, truer)
                return PumpGuess(first, ratio * truer / stated, source, (ratio, vanes), confirmed=True)
        return PumpGuess(stated, ratio, "as stated", (ratio, vanes))
    if math.isfinite(heard) and probability >= LOOKED_FOR_FROM:
        return PumpGuess(heard, ratio, "as heard" if probability >= HEARD_FROM else "as perhaps heard")
    return PumpGuess(None, ratio, "not sought: no whine of a pump is heard, and its drive is not stated")
