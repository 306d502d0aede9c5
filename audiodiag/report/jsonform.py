"""An analysis as plain values for machines: what ``audiodiag analyse --json`` prints.

Unknown values are null, never NaN. Times are rounded to 0.001 s, speeds to 0.01 rpm, probabilities to four
digits, levels to 0.01 dB, so that a line stays short and two runs on one machine give the same line.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

from audiodiag.errors import AudiodiagError
from audiodiag.records import (
    Analysis,
    CauseFinding,
    CheckAdvice,
    Clip,
    DriveFinding,
    Evidence,
    Note,
    Phases,
    Quality,
    SpeedTrace,
    SymptomFinding,
)
from audiodiag.report.wording import recording_notes

__all__ = [
    "ANALYSIS_SCHEMA",
    "REFUSAL_SCHEMA",
    "analysis_to_dict",
    "analysis_to_json_line",
    "refusal_to_dict",
    "to_json_line",
]

ANALYSIS_SCHEMA = "audiodiag/analysis/1"
REFUSAL_SCHEMA = "audiodiag/refusal/1"


def analysis_to_dict(analysis: Analysis, *, file: str | None = None) -> dict[str, Any]:
    """Give the analysis as nested plain values in the fixed order of its schema.

    ``file`` is the name by which the reader knows the clip (the path as it was typed); without it the clip's
    own name stands. ``clip.sample_rate_hz`` is the rate of the file.
    """
    return {
        "schema": ANALYSIS_SCHEMA,
        "clip": _clip(analysis.clip, file),
        "quality": _quality(analysis.quality, recording_notes(analysis)),
        "speed": _speed(analysis.speed),
        "phases": _phases(analysis.phases),
        "symptoms": [_symptom(found) for found in analysis.symptoms],
        "verdict": {"kind": analysis.verdict.kind, "text": analysis.verdict.text},
        "causes": [_cause(cause) for cause in analysis.causes],
        "next_checks": [_check(check) for check in analysis.next_checks],
        "cautions": list(analysis.cautions),
        "drive": _drive(analysis.drive),
    }


def analysis_to_json_line(analysis: Analysis, *, file: str | None = None) -> str:
    """Give the analysis as one line of JSON, without the line end."""
    return to_json_line(analysis_to_dict(analysis, file=file))


def refusal_to_dict(error: AudiodiagError, *, file: str) -> dict[str, Any]:
    """Give the row that stands for a clip which could not be analysed, so that rows keep their order.

    >>> from audiodiag.errors import ClipError
    >>> row = refusal_to_dict(ClipError("it is empty", got="0 s", allowed="3 s", todo="record"), file="a.m4a")
    >>> row["clip"]["file"], row["error"]["got"]
    ('a.m4a', '0 s')
    """
    return {
        "schema": REFUSAL_SCHEMA,
        "clip": {"file": file},
        "error": {"what": error.what, "got": error.got, "allowed": error.allowed, "todo": error.todo},
    }


def to_json_line(values: dict[str, Any]) -> str:
    """Give plain values as one line of strict JSON (no NaN, ASCII only), without the line end.

    >>> to_json_line({"rpm": [None, 780.5]})
    '{"rpm": [null, 780.5]}'
    """
    return json.dumps(values, allow_nan=False)


def _number(value: float | None, digits: int) -> float | None:
    """Round a number; what is unknown or has no bound becomes null."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def _meaningful(value: float, digits: int = 6) -> float | None:
    """Keep the leading digits of a measurement of any size."""
    return float(f"{value:.{digits}g}") if math.isfinite(value) else None


def _column(values: Iterable[float], digits: int) -> list[float | None]:
    return [_number(value, digits) for value in values]


def _spans(spans_s: Iterable[tuple[float, float]]) -> list[list[float | None]]:
    return [_column(span, 3) for span in spans_s]


def _note(note: Note) -> dict[str, Any]:
    return {
        "code": note.code,
        "text": note.text,
        "severity": note.severity,
        "spans_s": _spans(note.spans_s),
    }


def _clip(clip: Clip, file: str | None) -> dict[str, Any]:
    return {
        "file": clip.name if file is None else file,
        "sha256": clip.sha256,
        "duration_s": _number(clip.duration_s, 3),
        "sample_rate_hz": clip.file_sample_rate_hz or clip.sample_rate_hz,
        "channels": clip.channels,
        "codec": clip.codec,
    }


def _quality(quality: Quality, notes: tuple[Note, ...]) -> dict[str, Any]:
    return {
        "usable": quality.usable,
        "band_hz": _column(quality.band_hz, 1),
        "levels_usable": quality.levels_usable,
        "notes": [_note(note) for note in notes],
    }


def _speed(speed: SpeedTrace) -> dict[str, Any]:
    return {
        "source": speed.source,
        "confidence": _number(speed.confidence, 4),
        "cylinders": speed.cylinders,
        "cylinders_source": speed.cylinders_source,
        "alternatives": [
            {
                "factor": _number(other.factor, 4),
                "cylinders": other.cylinders,
                "probability": _number(other.probability, 4),
            }
            for other in speed.alternatives
        ],
        "notes": [_note(note) for note in speed.notes],
        "time_s": _column(speed.time_s.tolist(), 3),
        "rpm": _column(speed.rpm.tolist(), 2),
        "rpm_low": _column(speed.rpm_low.tolist(), 2),
        "rpm_high": _column(speed.rpm_high.tolist(), 2),
    }


def _phases(phases: Phases) -> dict[str, Any]:
    return {
        "source": phases.source,
        "confidence": _number(phases.confidence, 4),
        "notes": [_note(note) for note in phases.notes],
        "spans": [
            {"phase": span.phase, "start_s": _number(span.start_s, 3), "end_s": _number(span.end_s, 3)}
            for span in phases.spans
        ],
    }


def _evidence(evidence: Evidence) -> dict[str, Any]:
    return {
        "measure": evidence.measure,
        "value": _meaningful(evidence.value),
        "unit": evidence.unit,
        "text": evidence.text,
    }


def _symptom(found: SymptomFinding) -> dict[str, Any]:
    return {
        "name": found.name,
        "probability": _number(found.probability, 4),
        "level_db": _number(found.level_db, 2),
        "spans_s": _spans(found.spans_s),
        "evidence": [_evidence(evidence) for evidence in found.evidence],
    }


def _cause(cause: CauseFinding) -> dict[str, Any]:
    return {
        "name": cause.name,
        "title": cause.title,
        "probability": _number(cause.probability, 4),
        "because": list(cause.because),
    }


def _drive(drive: DriveFinding | None) -> dict[str, Any] | None:
    """What is known of the pump's drive and the belt; null where nothing called for looking."""
    if drive is None:
        return None
    return {
        "pump_presence": _number(drive.pump_presence, 4),
        "pump_order": _number(drive.pump_order, 4),
        "pump_order_sd": _number(drive.pump_order_sd, 4),
        "pump_order_probability": _number(drive.pump_order_probability, 4),
        "told_apart": drive.told_apart,
        "readings": [
            {
                "ratio": _number(reading.ratio, 4),
                "vanes": reading.vanes,
                "probability": _number(reading.probability, 4),
            }
            for reading in drive.readings
        ],
        "slip_percent": _number(drive.slip_percent, 2),
        "slip_sd_percent": _number(drive.slip_sd_percent, 2),
        "slip_spans_s": _spans(drive.slip_spans_s),
        "belt_repeats": drive.belt_repeats,
        "belt_order": _number(drive.belt_order, 4),
        "belt_order_sd": _number(drive.belt_order_sd, 4),
        "belt_length_mm": _number(drive.belt_length_mm, 1),
        "texts": list(drive.texts),
    }


def _check(check: CheckAdvice) -> dict[str, Any]:
    return {
        "name": check.name,
        "title": check.title,
        "minutes": _number(check.minutes, 1),
        "cost_low": _number(check.cost_low, 2),
        "cost_high": _number(check.cost_high, 2),
        "currency": check.currency,
        "gain_bits": _number(check.gain_bits, 4),
        "tells_apart": list(check.tells_apart),
    }
