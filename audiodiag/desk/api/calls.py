"""The one table of all calls: method, address, what they take, what they answer, who may call them.

The door dispatches and checks by it, and the OpenAPI document and the page of the calls are made from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from audiodiag.desk.api import arriving, asking_for, cases, heard, saying
from audiodiag.desk.api.arriving import TOLD
from audiodiag.desk.api.shape import Shape
from audiodiag.desk.api.shapes import (
    ID,
    SYMPTOM,
    answers_body,
    fields,
    judgement_shape,
    text,
    vehicle_body,
)
from audiodiag.desk.inbox import FILTERS
from audiodiag.report.language import LANGUAGES

__all__ = ["PREFIX", "Call", "calls"]

PREFIX = "/api/1"


@dataclass(frozen=True)
class Call:
    """One call. ``status`` and ``answer`` (a name in `shapes`) say what it gives; None: no content.

    ``raw``: media types of a body that is no JSON; the handler is then asynchronous and takes the request.
    ``media``: what it gives where that is no JSON. ``refuses``: further status codes of its own. ``changes``:
    whether it counts against the rate of changes; those that receive recordings count as uploads.
    """

    method: str
    path: str
    name: str
    group: str
    handler: Callable[..., Any]
    status: int = 200
    answer: str | None = None
    advisor: bool = False
    query: dict[str, Shape] = field(default_factory=dict)
    needs: tuple[str, ...] = ()
    body: Callable[[], Shape] | None = None
    raw: tuple[str, ...] = ()
    media: str = "application/json"
    refuses: tuple[int, ...] = ()
    rate: str = ""

    @property
    def summary(self) -> str:
        """What the call does, as its handler says."""
        return (self.handler.__doc__ or "").strip().splitlines()[0].rstrip(".")


MOST: Shape = {"type": "integer", "minimum": 1, "maximum": 200, "description": "most entries of the answer"}
CHOSEN: Shape = {"type": "array", "items": ID, "minItems": 1, "maxItems": 24, "uniqueItems": True}
SIDE: Shape = {**CHOSEN, "maxItems": 4}
FEW: Shape = {**CHOSEN, "maxItems": 8}
NAME: Shape = {"type": "string", "minLength": 1, "maxLength": 255, "description": "name of the file"}
TRUTH: Shape = {"type": "boolean"}
LANGUAGE: Shape = {"enum": list(LANGUAGES)}
SECONDS: Shape = {"type": "number", "minimum": 0, "maximum": 86400}
CASE, RECORDING = "/cases/{key}", "/cases/{key}/recordings/{recording}"


@lru_cache(maxsize=1)
def calls() -> tuple[Call, ...]:
    """Give all calls in the order in which they are described."""
    return (
            Call(
                "GET", "/cases", "list_cases", "cases", cases.cases, answer="CaseList",
                query={
                    "show": {"enum": list(FILTERS), "description": "which of them; open ones by default"},
                    "words": {"type": "string", "maxLength": 80, "description": "words in the name"},
                    "most": MOST,
                },
            ),
            Call(
                "POST", "/cases", "open_case", "cases", cases.new_case, 201, "Case", advisor=True,
                body=_new_case, refuses=(422,),
            ),
            Call("GET", CASE, "read_case", "cases", cases.one_case, answer="Case"),
            Call(
                "PATCH", CASE, "change_case", "cases", cases.change_case, answer="Case", advisor=True,
                body=_case_change,
            ),
            Call("GET", f"{CASE}/vehicle", "read_vehicle", "cases", cases.vehicle, answer="Vehicle"),
            Call(
                "PUT", f"{CASE}/vehicle", "state_vehicle", "cases", cases.put_vehicle, answer="Vehicle",
                body=vehicle_body, refuses=(422,),
            ),
            Call(
                "GET", f"{CASE}/deeds", "read_deeds", "cases", cases.deeds, answer="DeedList",
                query={"before": {**ID, "description": "only deeds before this one"}, "most": MOST},
            ),
            Call("GET", f"{CASE}/links", "list_links", "links", cases.links, answer="LinkList", advisor=True),
            Call(
                "POST", f"{CASE}/links", "make_link", "links", cases.new_link, 201, "NewLink", advisor=True,
                body=_link,
            ),
            Call(
                "DELETE", f"{CASE}/links", "take_links_back", "links", cases.links_taken_back, 204,
                advisor=True,
            ),
            Call(
                "DELETE", f"{CASE}/links/{{link}}", "take_link_back", "links", cases.link_taken_back, 204,
                advisor=True,
            ),
            *_about_recordings(),
            *_about_words(),
            *_about_workers(),
    )  # fmt: skip


def _about_recordings() -> list[Call]:
    upload = f"{CASE}/uploads/{{upload}}"
    mark = f"{RECORDING}/marks"
    return [
        Call(
            "GET", f"{CASE}/recordings", "list_recordings", "recordings", heard.recordings,
            answer="RecordingList",
        ),
        Call(
            "POST", f"{CASE}/recordings", "send_recording", "recordings", arriving.receive, 201, "Arrived",
            query={"name": NAME, **TOLD},
            raw=("application/octet-stream", "multipart/form-data"), refuses=(422,), rate="upload",
        ),
        Call("GET", RECORDING, "read_recording", "recordings", heard.one_recording, answer="Recording"),
        Call(
            "GET", f"{RECORDING}/analysis", "read_analysis", "recordings", heard.analysis,
            answer="StoredAnalysis",
        ),
        Call("GET", f"{RECORDING}/sound", "hear_recording", "recordings", heard.sound, media="audio/flac"),
        Call("GET", f"{CASE}/jobs", "read_jobs", "recordings", heard.jobs, answer="JobList"),
        Call(
            "POST", f"{CASE}/uploads", "begin_upload", "uploads", arriving.new_upload, 201, "Upload",
            body=_upload, refuses=(413, 422), rate="upload",
        ),
        Call("GET", upload, "read_upload", "uploads", arriving.one_upload, answer="Upload"),
        Call(
            "PATCH", upload, "send_piece", "uploads", arriving.piece, answer="Upload",
            query={
                "offset": {
                    "type": "integer", "minimum": 0, "maximum": 2**40,
                    "description": "how many bytes have arrived before this piece",
                }
            },
            needs=("offset",), raw=("application/octet-stream",), refuses=(409, 411, 422), rate="piece",
        ),
        Call("DELETE", upload, "drop_upload", "uploads", arriving.drop_upload, 204),
        Call("GET", mark, "list_marks", "judging", heard.marks, answer="MarkList"),
        Call(
            "POST", mark, "mark_stretch", "judging", heard.new_mark, 201, "Mark", advisor=True,
            body=lambda: fields(symptom=SYMPTOM, start_s=SECONDS, end_s=SECONDS), refuses=(422,),
        ),
        Call(
            "DELETE", f"{mark}/{{mark}}", "remove_mark", "judging", heard.mark_removed, 204, advisor=True
        ),
        Call(
            "GET", f"{RECORDING}/judgement", "read_judgement", "judging", heard.judgement, answer="Judgement"
        ),
        Call(
            "PUT", f"{RECORDING}/judgement", "correct_verdict", "judging", heard.judged, answer="Judgement",
            advisor=True, body=judgement_shape, refuses=(422,),
        ),
    ]  # fmt: skip


def _about_words() -> list[Call]:
    return [
        Call("GET", "/questions", "list_questions", "answers", saying.questions, answer="QuestionList"),
        Call("GET", f"{CASE}/answers", "read_answers", "answers", saying.answers, answer="AnswerList"),
        Call(
            "PATCH", f"{CASE}/answers", "answer_questions", "answers", saying.answer, answer="AnswerList",
            body=answers_body,
        ),
        Call(
            "GET", f"{CASE}/advice", "read_advice", "answers", saying.advice, answer="Advice",
            query={"recording": {**ID, "description": "by this recording; by the newest without it"}},
        ),
        Call("GET", f"{CASE}/notes", "read_notes", "words", saying.notes, answer="NoteList"),
        Call(
            "POST", f"{CASE}/notes", "write_note", "words", saying.new_note, 201, "Note", body=_words,
            refuses=(422,),
        ),
        Call(
            "POST", f"{CASE}/replies", "reply", "words", saying.reply, 201, "Note", advisor=True, body=_words,
            refuses=(422,),
        ),
        Call("GET", "/blocks", "list_blocks", "words", saying.blocks, answer="BlockList", advisor=True),
        Call(
            "POST", "/blocks", "write_block", "words", saying.new_block, 201, "Block", advisor=True,
            body=lambda: fields(title=text("block title", least=1), text=text("block", least=1)),
            refuses=(422,),
        ),
        Call("DELETE", "/blocks/{block}", "remove_block", "words", saying.block_removed, 204, advisor=True),
    ]  # fmt: skip


def _about_workers() -> list[Call]:
    def asks(path: str, name: str, handler: Callable[..., Any], answer: str, body: Shape | None) -> Call:
        shape = None if body is None else lambda: body
        return Call("POST", path, name, "workers", handler, 202, answer, body=shape, refuses=(422,))

    comparison, task = f"{CASE}/comparisons", f"{CASE}/tasks"
    return [
        Call(
            "GET", comparison, "list_comparisons", "workers", asking_for.comparisons, answer="ComparisonList"
        ),
        Call(
            "GET", f"{comparison}/{{comparison}}", "read_comparison", "workers", asking_for.one_comparison,
            answer="Comparison",
        ),
        asks(
            comparison, "compare", asking_for.new_comparison, "Comparison",
            fields(before=SIDE, after=SIDE, one_phone={"type": "boolean"}, optional=("one_phone",)),
        ),
        asks(
            f"{CASE}/bleed-watches", "watch_bleeding", asking_for.bleed_watch, "Comparison",
            fields(
                recordings=FEW, cycle_s={"type": "number", "minimum": 2, "maximum": 120},
                optional=("cycle_s",),
            ),
        ),
        asks(
            f"{CASE}/trends", "follow_trend", asking_for.trend, "Comparison",
            fields(
                recordings={**CHOSEN, "minItems": 3},
                at={
                    "type": "array", "items": {"type": "number", "minimum": 0, "maximum": 1e7},
                    "minItems": 3, "maxItems": 24,
                },
                unit={"enum": ["day", "mileage"]},
                optional=("at", "unit"),
            ),
        ),
        Call("GET", task, "list_tasks", "workers", asking_for.tasks, answer="TaskList"),
        Call("GET", f"{task}/{{task}}", "read_task", "workers", asking_for.one_task, answer="Task"),
        asks(
            f"{CASE}/reports", "ask_for_report", asking_for.report, "Task",
            fields(
                recordings=FEW, language=LANGUAGE, with_names=TRUTH, without_speech=TRUTH,
                optional=("language", "with_names", "without_speech"),
            ),
        ),
        asks(
            f"{CASE}/parcels", "ask_for_parcel", asking_for.parcel, "Task",
            fields(
                recordings=FEW, language=LANGUAGE, note=text("words"), as_flac=TRUTH, without_speech=TRUTH,
                optional=("language", "note", "as_flac", "without_speech"),
            ),
        ),
        asks(f"{RECORDING}/parts", "ask_for_parts", asking_for.parts, "Task", None),
        Call(
            "GET", f"{CASE}/files/{{file}}", "fetch_file", "workers", asking_for.made_file,
            media="application/octet-stream",
        ),
    ]  # fmt: skip


def _new_case() -> Shape:
    return fields(
        title=text("title", least=1), words=text("words"), cannot_drive=TRUTH, vehicle=vehicle_body(),
        optional=("words", "cannot_drive", "vehicle"),
    )  # fmt: skip


def _case_change() -> Shape:
    shape = fields(
        state={"enum": ["open", "answered", "closed"]}, seen={"enum": [True]}, optional=("state", "seen")
    )
    return {**shape, "minProperties": 1}


def _link() -> Shape:
    return fields(days={"type": "integer", "minimum": 1, "maximum": 90}, optional=("days",))


def _upload() -> Shape:
    return fields(
        name=NAME,
        size_bytes={"type": "integer", "minimum": 1, "maximum": 2**40},
        **TOLD,
        optional=tuple(TOLD),
    )


def _words() -> Shape:
    return fields(text=text("text", least=1))
