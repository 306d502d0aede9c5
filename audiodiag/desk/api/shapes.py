"""The shapes of what is sent to the calls and of what they answer, each by its name."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from audiodiag.causes import load_knowledge
from audiodiag.causes.knowledge import NOT_LOOKED
from audiodiag.desk.api.shape import Shape
from audiodiag.desk.casework import VERDICTS
from audiodiag.records import SYMPTOMS
from audiodiag.report.schemas import ANALYSIS
from audiodiag.vehicle import SETTINGS

__all__ = [
    "ID",
    "IDS",
    "LONGEST",
    "SYMPTOM",
    "answer_shapes",
    "answers_body",
    "fields",
    "judgement_shape",
    "listed",
    "or_null",
    "ref",
    "text",
    "vehicle_body",
]

LONGEST = {"title": 80, "words": 5000, "text": 20_000, "block": 4000, "block title": 60, "steering": 2000}
"""Most signs of each text; the same as the pages take."""
WHOLE: Shape = {"type": "integer"}
COUNT: Shape = {"type": "integer", "minimum": 0}
NUMBER: Shape = {"type": "number"}
NUMBER_OR_NULL: Shape = {"type": ["number", "null"]}
SHARE: Shape = {"type": "number", "minimum": 0, "maximum": 1}
TEXT: Shape = {"type": "string"}
TRUTH: Shape = {"type": "boolean"}
AT: Shape = {"type": "number", "description": "seconds since 1970, UTC"}
KEY: Shape = {"type": "string", "pattern": "^[A-Za-z0-9_-]{24}$"}
ID: Shape = {"type": "integer", "minimum": 1, "maximum": 2**31 - 1}
SYMPTOM: Shape = {"enum": list(SYMPTOMS)}
IDS: dict[str, Shape] = {
    "key": {**KEY, "description": "key of the case"},
    "upload": {**KEY, "description": "key of the upload"},
    **{
        name: {**ID, "description": f"number of the {name.replace('_', ' ')}"}
        for name in ("recording", "mark", "comparison", "task", "file", "link", "block")
    },
}
"""What stands in the braces of an address."""
CAR = {each.field: each for each in SETTINGS if each.field and each.field != "name"}
CAR_KEYS = ("cylinders", "pump_ratio", "vanes", "crank_pulley_mm", "pump_pulley_mm", "belt_length_mm")


def fields(*, optional: tuple[str, ...] = (), **properties: Shape) -> dict[str, Any]:
    """Give the shape of an object of exactly these fields."""
    return {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


def listed(items: Shape) -> dict[str, Any]:
    """Give the shape of a list."""
    return {"type": "array", "items": items}


def ref(name: str) -> dict[str, str]:
    """Point to a shape by its name."""
    return {"$ref": f"#/components/schemas/{name}"}


def or_null(shape: Shape) -> dict[str, Any]:
    """Give the shape of what may also be unknown."""
    return {"anyOf": [{"type": "null"}, shape]}


def text(what: str, *, least: int = 0) -> dict[str, Any]:
    """Give the shape of a text that people write."""
    return {"type": "string", "minLength": least, "maxLength": LONGEST[what]}


@lru_cache(maxsize=1)
def vehicle_body() -> dict[str, Any]:
    """Give the shape of what is stated of a car; the ranges are those of the room `vehicle`."""
    stated = {
        key: {
            "type": ["integer" if CAR[key].kind == "whole" else "number", "null"],
            "minimum": CAR[key].low,
            "maximum": CAR[key].high,
            "description": CAR[key].help,
        }
        for key in CAR_KEYS
    }
    life = {
        "age_years": {"type": ["number", "null"], "minimum": 0, "maximum": 100},
        "mileage_km": {"type": ["number", "null"], "minimum": 0, "maximum": 3_000_000},
    }
    parts = {"type": "array", "items": {"enum": list(load_knowledge().renewable)}, "uniqueItems": True}
    return fields(**stated, **life, renewed=parts, optional=(*stated, *life, "renewed"))


@lru_cache(maxsize=1)
def answers_body() -> dict[str, Any]:
    """Give the shape of answers to questions: one field a question, null takes an answer back."""
    known = load_knowledge().observations
    questions = {
        each.name: {
            "enum": [*(answer.name for answer in each.answers), NOT_LOOKED, None],
            "description": each.question,
        }
        for each in known
    }
    return {**fields(**questions, optional=tuple(questions)), "minProperties": 1}


def judgement_shape() -> dict[str, Any]:
    """Give the shape of a person's judgement of the six sounds and of the whole recording."""
    judged: dict[str, Shape] = {name: {"enum": ["heard", "absent", ""]} for name in SYMPTOMS}
    return fields(optional=("verdict",), **judged, verdict={"enum": [*VERDICTS, ""]})


@lru_cache(maxsize=1)
def answer_shapes() -> dict[str, Any]:
    """Give the shapes of all answers by name, for the description's components."""
    refusal = fields(what=TEXT, got=TEXT, allowed=TEXT, todo=TEXT)
    job = fields(
        job=ID,
        kind={"enum": ["listen", "compare", "bleed", "trend", "report", "parcel", "parts", "unpack"]},
        recording=or_null(ID),
        comparison=or_null(ID),
        task=or_null(ID),
        state={"enum": ["queued", "running", "done", "failed"]},
        step=TEXT,
        share=SHARE,
        ahead=COUNT,
        refusal=or_null(refusal),
    )
    urgency = fields(rank={"enum": [0, 1, 2]}, reasons=listed(TEXT))
    case_state: Shape = {"enum": ["open", "answered", "closed"]}
    line = fields(
        key=KEY,
        title=TEXT,
        state=case_state,
        cannot_drive=TRUTH,
        fresh=TRUTH,
        urgency=urgency,
        heard=listed(fields(name=SYMPTOM, probability=SHARE)),
        verdict=TEXT,
        simulated=TRUTH,
        recordings=COUNT,
        waiting=COUNT,
        failed=COUNT,
        newest_recording=or_null(ID),
        made_at=AT,
        changed_at=AT,
    )
    case = fields(
        key=KEY, title=TEXT, words=TEXT, state=case_state, cannot_drive=TRUTH, urgency=urgency, made_at=AT,
        changed_at=AT, vehicle=ref("Vehicle"), recordings=listed(ref("Recording")),
        answers=listed(ref("Answer")), notes=listed(ref("Note")),
    )  # fmt: skip
    stated: dict[str, Shape] = {
        key: {"type": ["integer" if CAR[key].kind == "whole" else "number", "null"]} for key in CAR_KEYS
    }
    vehicle = fields(
        optional=(), **stated, age_years=NUMBER_OR_NULL, mileage_km=NUMBER_OR_NULL, renewed=listed(TEXT)
    )
    recording = fields(
        recording=ID, file_name=TEXT, size_bytes=COUNT, sha256=TEXT,
        purpose={"enum": ["", "before", "after"]},
        steering=TEXT, speed_rpm=NUMBER_OR_NULL, received_at=AT, who=TEXT, verdict=TEXT, version=TEXT,
        simulated=TRUTH, job=or_null(ref("Job")),
    )  # fmt: skip
    upload = fields(
        upload=KEY,
        file_name=TEXT,
        size_bytes=COUNT,
        received_bytes=COUNT,
        recording=or_null(ID),
        task=or_null(ID),
    )
    mark = fields(mark=ID, symptom=SYMPTOM, start_s=NUMBER, end_s=NUMBER, who=TEXT, at=AT)
    comparison = fields(
        comparison=ID, kind={"enum": ["compare", "bleed", "trend"]}, before=listed(ID), after=listed(ID),
        one_phone={"type": "boolean"}, state=job["properties"]["state"], refusal=or_null(refusal),
        version=TEXT, made_at=AT,
        result=or_null({"type": "object"}),
    )  # fmt: skip
    task = fields(
        task=ID, kind={"enum": ["report", "parcel", "parts", "unpack"]}, state=job["properties"]["state"],
        refusal=or_null(refusal), who=TEXT, made_at=AT, settings={"type": "object"},
        result={"type": "object"},
        files=listed(fields(file=ID, name=TEXT, media=TEXT, size_bytes=COUNT)),
    )  # fmt: skip
    shapes: dict[str, Any] = {
        "Error": fields(
            error=fields(
                what=TEXT, got=TEXT, allowed=TEXT, todo=TEXT, optional=("mark",),
                mark={"type": "string", "description": "finds a fault in the desk's own output"},
            )
        ),
        "Job": job,
        "JobList": fields(jobs=listed(ref("Job")), waiting=COUNT),
        "CaseLine": line,
        "CaseList": fields(cases=listed(ref("CaseLine")), waiting=COUNT),
        "Case": case,
        "Vehicle": vehicle,
        "Recording": recording,
        "RecordingList": fields(recordings=listed(ref("Recording"))),
        "Arrived": fields(recording=or_null(ID), task=or_null(ID), sha256=TEXT, size_bytes=COUNT),
        "Upload": upload,
        "StoredAnalysis": fields(
            recording=ID, version=TEXT, made_at=AT, simulated=TRUTH, outline=listed(SHARE),
            analysis=_analysis(),
        ),
        "Question": fields(
            name=TEXT, question=TEXT, answers=listed(fields(name=TEXT, text=TEXT))
        ),
        "QuestionList": fields(questions=listed(ref("Question"))),
        "Answer": fields(name=TEXT, answer=TEXT, who=TEXT, at=AT),
        "AnswerList": fields(answers=listed(ref("Answer"))),
        "Advice": _advice(),
        "Note": fields(note=ID, kind={"enum": ["note", "answer"]}, text=TEXT, who=TEXT, at=AT),
        "NoteList": fields(notes=listed(ref("Note"))),
        "Mark": mark,
        "MarkList": fields(marks=listed(ref("Mark"))),
        "Judgement": judgement_shape(),
        "Comparison": comparison,
        "ComparisonList": fields(comparisons=listed(ref("Comparison"))),
        "Task": task,
        "TaskList": fields(tasks=listed(ref("Task"))),
        "NewLink": fields(link=ID, address=TEXT, expires_at=AT),
        "Link": fields(link=ID, expires_at=AT, taken_back=TRUTH, who=TEXT, at=AT),
        "LinkList": fields(links=listed(ref("Link"))),
        "DeedList": fields(deeds=listed(fields(deed=ID, who=TEXT, what=TEXT, details=TEXT, at=AT))),
        "Block": fields(block=ID, title=TEXT, text=TEXT, who=TEXT, at=AT),
        "BlockList": fields(blocks=listed(ref("Block"))),
    }  # fmt: skip
    return shapes


def _analysis() -> dict[str, Any]:
    """What ``audiodiag analyse --json`` prints; the six sounds have one shape, told apart by their names."""
    symptoms = ANALYSIS["properties"]["symptoms"]
    one = symptoms["prefixItems"][0]
    each = {**one, "properties": {**one["properties"], "name": SYMPTOM}}
    of_all = {"type": "array", "items": each, "minItems": len(SYMPTOMS), "maxItems": len(SYMPTOMS)}
    shape = {key: value for key, value in ANALYSIS.items() if key != "$schema"}
    return {**shape, "properties": {**shape["properties"], "symptoms": of_all}}


def _advice() -> dict[str, Any]:
    """What ``audiodiag advise --json`` prints."""
    cause = fields(name=TEXT, title=TEXT, probability=SHARE, because=listed(TEXT))
    return fields(
        schema={"const": "audiodiag/advice/1"},
        case=TEXT,
        heard={"type": "object", "additionalProperties": SHARE},
        saw={"type": "object", "additionalProperties": TEXT},
        suction=or_null({"type": "object"}),
        moves=listed({"type": "object"}),
        causes=listed(cause),
        next_checks=listed(
            {"type": "object", "required": ["name", "title", "minutes", "cautions", "outcomes"]}
        ),
        questions=listed(
            fields(
                name=TEXT,
                question=TEXT,
                answers=listed(TEXT),
                gain_bits=NUMBER,
                check={"type": ["string", "null"]},
            )
        ),
        stop_rule=fields(
            checks=listed(TEXT),
            remedy=TEXT,
            title=TEXT,
            sheet={"type": ["string", "null"]},
            probability=SHARE,
            text=TEXT,
        ),
        cautions=listed(TEXT),
    )
