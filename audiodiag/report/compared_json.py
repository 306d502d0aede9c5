"""Before and after, the bleed watch and the course over months as plain values for machines.

Unknown values and missing bounds are null, never NaN or infinite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from audiodiag.comparison.bleed import BleedWatch
from audiodiag.comparison.change import SymptomChange
from audiodiag.comparison.compare import Comparison
from audiodiag.comparison.trend import AXES, SymptomTrend
from audiodiag.records import Analysis, Note
from audiodiag.report.compared_text import change_sentence
from audiodiag.report.wording import is_simulated, notes_once

__all__ = [
    "BLEED_SCHEMA",
    "COMPARISON_SCHEMA",
    "TREND_SCHEMA",
    "bleed_to_dict",
    "comparison_to_dict",
    "trend_to_dict",
]

COMPARISON_SCHEMA = "audiodiag/comparison/1"
BLEED_SCHEMA = "audiodiag/bleed/1"
TREND_SCHEMA = "audiodiag/trend/1"


def comparison_to_dict(found: Comparison) -> dict[str, Any]:
    """Give a comparison as nested plain values in the fixed order of its schema."""
    return {
        "schema": COMPARISON_SCHEMA,
        "sides": [
            {"name": name, "clips": [_clip(analysis) for analysis in side]}
            for name, side in zip(found.names, (found.before, found.after), strict=True)
        ],
        "conditions": {
            "band_hz": [_number(value, 1) for value in found.conditions.band_hz],
            "speed_rpm": None
            if found.conditions.speed_rpm is None
            else [_number(value, 1) for value in found.conditions.speed_rpm],
            "shared_speed": found.conditions.shared_speed,
            "comparable": found.conditions.comparable,
            "one_phone_stated": found.one_phone,
            "notes": [_note(note) for note in found.conditions.notes],
        },
        "pump_tone": None
        if found.pump_hz is None
        else {
            "order": _number(found.pump_order, 3),
            "frequency_hz": _number(found.pump_hz, 1),
            "speed_rpm": _number(found.mean_rpm, 1),
        },
        "symptoms": [_change(change, found.names) for change in found.symptoms],
        "orders": [
            {
                "order": order.order,
                "change_db": _number(order.change_db),
                "low_db": _number(order.low_db),
                "high_db": _number(order.high_db),
                "changed": order.changed,
                "of_engine": order.of_engine,
            }
            for order in found.orders
        ],
        "cautions": list(found.cautions),
    }


def bleed_to_dict(watch: BleedWatch, analyses: Sequence[Analysis], cautions: Sequence[str]) -> dict[str, Any]:
    """Give a bleed watch as nested plain values."""
    return {
        "schema": BLEED_SCHEMA,
        "clips": [_clip(analysis) for analysis in analyses],
        "state": watch.state,
        "done_at_cycle": watch.done_at,
        "change_per_cycle": _number(watch.per_cycle, 4),
        "cycles": [
            {
                "recording": cycle.recording + 1,
                "start_s": _number(cycle.start_s, 3),
                "end_s": _number(cycle.end_s, 3),
                "air": _number(cycle.air, 4),
                "low": _number(cycle.low, 4),
                "high": _number(cycle.high, 4),
                "state": cycle.state,
            }
            for cycle in watch.cycles
        ],
        "notes": [_note(note) for note in notes_once(watch.notes)],
        "cautions": list(cautions),
    }


def trend_to_dict(
    trends: Sequence[SymptomTrend], analyses: Sequence[Analysis], *, unit: str, cautions: Sequence[str]
) -> dict[str, Any]:
    """Give the courses of symptoms as nested plain values."""
    return {
        "schema": TREND_SCHEMA,
        "axis": AXES[unit],
        "unit": unit,
        "clips": [_clip(analysis) for analysis in analyses],
        "symptoms": [
            {
                "name": trend.name,
                "text": trend.text,
                "slope_db": _number(trend.slope_db, 5),
                "slope_low_db": _number(trend.slope_low_db, 5),
                "slope_high_db": _number(trend.slope_high_db, 5),
                "points": [
                    {
                        "file": point.name,
                        "at": _number(point.at, 3),
                        "probability": _number(point.probability, 4),
                        "judged": point.judged,
                        "heard": point.heard,
                        "level_db": _number(point.level_db),
                        "low_db": _number(point.low_db),
                        "high_db": _number(point.high_db),
                    }
                    for point in trend.points
                ],
                "change_points": [
                    {
                        "after": _number(step.after, 3),
                        "before": _number(step.before, 3),
                        "step_db": _number(step.step_db),
                        "low_db": _number(step.low_db),
                        "high_db": _number(step.high_db),
                    }
                    for step in trend.change_points
                ],
            }
            for trend in trends
        ],
        "cautions": list(cautions),
    }


def _change(change: SymptomChange, names: tuple[str, str]) -> dict[str, Any]:
    return {
        "name": change.name,
        "verdict": change.word,
        "text": change_sentence(change, names),
        "change_db": _number(change.change_db),
        "low_db": _number(change.low_db),
        "high_db": _number(change.high_db),
        "smallest_db": _number(change.smallest_db),
        "heard_before": change.heard_before,
        "heard_after": change.heard_after,
        "before_db": [_number(level) for level in change.before_db],
        "after_db": [_number(level) for level in change.after_db],
        "references": change.references,
        "repeatability": change.repeatability,
        "one_phone_probability": _number(change.alike, 3),
        "engine_uneven_db": _number(change.uneven_db),
    }


def _clip(found: Analysis) -> dict[str, Any]:
    return {
        "file": found.clip.name,
        "sha256": found.clip.sha256,
        "duration_s": _number(found.clip.duration_s, 3),
        "codec": found.clip.codec,
        "simulated": is_simulated(found.clip),
        "speed_rpm": _number(found.speed.median_rpm, 1),
        "speed_confidence": _number(found.speed.confidence, 4),
    }


def _note(note: Note) -> dict[str, Any]:
    return {"code": note.code, "text": note.text, "severity": note.severity}


def _number(value: float | None, digits: int = 2) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0
