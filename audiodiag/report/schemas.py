"""JSON Schemas (draft 2020-12) of the rows that ``audiodiag analyse --json`` prints."""

from __future__ import annotations

from typing import Any

from audiodiag.records import SYMPTOMS

__all__ = ["ANALYSIS", "REFUSAL"]

NUMBER_OR_NULL = {"type": ["number", "null"]}
PROBABILITY = {"type": "number", "minimum": 0, "maximum": 1}
TEXT = {"type": "string", "minLength": 1}


def _object(**properties: Any) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _list(items: Any, **limits: Any) -> dict[str, Any]:
    return {"type": "array", "items": items, **limits}


SPAN = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
NOTE = _object(code=TEXT, text=TEXT, severity={"enum": ["info", "warning", "refusal"]}, spans_s=_list(SPAN))
EVIDENCE = _object(measure=TEXT, value=NUMBER_OR_NULL, unit={"type": "string"}, text=TEXT)
ANALYSIS = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    **_object(
        schema={"const": "audiodiag/analysis/1"},
        clip=_object(
            file=TEXT,
            sha256={"type": "string", "pattern": "^[0-9a-f]{64}$"},
            duration_s={"type": "number", "exclusiveMinimum": 0},
            sample_rate_hz={"type": "integer", "minimum": 1},
            channels={"type": "integer", "minimum": 1},
            codec=TEXT,
        ),
        quality=_object(
            usable={"type": "boolean"},
            band_hz=_list(NUMBER_OR_NULL, minItems=2, maxItems=2),
            levels_usable={"type": "boolean"},
            notes=_list(NOTE),
        ),
        speed=_object(
            source={"enum": ["acoustic", "entered", "table", "tach", "none"]},
            confidence=PROBABILITY,
            cylinders={"type": ["integer", "null"]},
            cylinders_source={"enum": ["entered", "heard", "unknown"]},
            alternatives=_list(
                _object(
                    factor={"type": "number", "exclusiveMinimum": 0},
                    cylinders={"type": ["integer", "null"]},
                    probability=PROBABILITY,
                )
            ),
            notes=_list(NOTE),
            time_s=_list({"type": "number"}),
            rpm=_list(NUMBER_OR_NULL),
            rpm_low=_list(NUMBER_OR_NULL),
            rpm_high=_list(NUMBER_OR_NULL),
        ),
        phases=_object(
            source={"enum": ["marked", "tabled", "inferred", "unknown"]},
            confidence=PROBABILITY,
            notes=_list(NOTE),
            spans=_list(
                _object(
                    phase={"enum": ["centre", "turning", "stop"]},
                    start_s={"type": "number"},
                    end_s={"type": "number"},
                )
            ),
        ),
        symptoms={
            "type": "array",
            "prefixItems": [
                _object(
                    name={"const": name},
                    probability=PROBABILITY,
                    level_db=NUMBER_OR_NULL,
                    spans_s=_list(SPAN),
                    evidence=_list(EVIDENCE),
                )
                for name in SYMPTOMS
            ],
            "items": False,
            "minItems": len(SYMPTOMS),
        },
        verdict=_object(kind={"enum": ["symptoms", "normal", "cannot_tell", "not_an_engine_bay"]}, text=TEXT),
        causes=_list(_object(name=TEXT, title=TEXT, probability=PROBABILITY, because=_list(TEXT))),
        next_checks=_list(
            _object(
                name=TEXT,
                title=TEXT,
                minutes={"type": "number", "minimum": 0},
                cost_low={"type": "number", "minimum": 0},
                cost_high={"type": "number", "minimum": 0},
                currency=TEXT,
                gain_bits={"type": "number"},
                tells_apart=_list(TEXT),
            )
        ),
        cautions=_list(TEXT),
        drive={
            "anyOf": [
                {"type": "null"},
                _object(
                    pump_presence=PROBABILITY,
                    pump_order=NUMBER_OR_NULL,
                    pump_order_sd=NUMBER_OR_NULL,
                    pump_order_probability=PROBABILITY,
                    told_apart={"type": "boolean"},
                    readings=_list(
                        _object(
                            ratio={"type": "number", "exclusiveMinimum": 0},
                            vanes={"type": "integer", "minimum": 2},
                            probability=PROBABILITY,
                        )
                    ),
                    slip_percent=NUMBER_OR_NULL,
                    slip_sd_percent=NUMBER_OR_NULL,
                    slip_spans_s=_list(SPAN),
                    belt_repeats={"enum": ["belt", "pulley", "none"]},
                    belt_order=NUMBER_OR_NULL,
                    belt_order_sd=NUMBER_OR_NULL,
                    belt_length_mm=NUMBER_OR_NULL,
                    texts=_list(TEXT),
                ),
            ]
        },
    ),
}
REFUSAL = _object(
    schema={"const": "audiodiag/refusal/1"},
    clip=_object(file=TEXT),
    error=_object(what=TEXT, got={"type": "string"}, allowed=TEXT, todo=TEXT),
)
