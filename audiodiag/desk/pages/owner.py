"""The owner's pages: a new case, its page with answer and questions, the car, recording, sending."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from starlette.responses import Response

from audiodiag.causes import load_knowledge
from audiodiag.desk.casework import answer_question, described_car, open_case, write_note
from audiodiag.desk.findings import (
    Heard,
    advice_for,
    heard_in_each,
    standing_cautions,
    urgency_of,
)
from audiodiag.desk.pages.asking import Ask, case_of, go_to, page
from audiodiag.desk.tables import (
    CarRow,
    CaseRow,
    ComparisonRow,
    DeedRow,
    MarkRow,
    NoteRow,
    RecordingRow,
    SeenRow,
)
from audiodiag.desk.tasks import papers_of
from audiodiag.desk.timeline import timeline_of
from audiodiag.vehicle import SETTINGS

__all__ = ["answer", "car_form", "car_kept", "case_page", "new_case", "new_form", "note", "record_page"]

STEPS = (
    ("centre", "Wheel straight, do not turn it", "Wheel straight", 5),
    ("turning", "Turn slowly to one stop", "Turn slowly to one stop", 5),
    ("stop", "At the stop: three seconds, no more", "Hold", 3),
    ("turning", "Straight off it, slowly to the other stop", "Off it, slowly to the other stop", 8),
    ("stop", "At the stop: three seconds, no more", "Hold", 3),
    ("turning", "Back to the centre", "Back to the centre", 5),
    (
        "centre",
        "Wheel straight, out of gear: raise the speed a little, hold it, let go",
        "Raise the speed a little",
        8,
    ),
)
"""The sequence while recording: phase, what to do in writing and as it is spoken, seconds."""
CAR_KEYS = ("cylinders", "crank_pulley_mm", "pump_pulley_mm", "pump_ratio", "vanes", "belt_length_mm")
MOST_CAUSES = 6
LEAST_SHARE = 0.02


def new_form(ask: Ask) -> Response:
    """The form of a new case."""
    return page(ask, "new.html", here="new", cautions=standing_cautions())


def new_case(ask: Ask) -> Response:
    """Open a case."""
    with ask.room.store.writing() as session:
        case = open_case(
            session,
            ask.who,
            title=ask.form.get("title", ""),
            words=ask.form.get("words", ""),
            cannot_drive=ask.form.get("cannot_drive") == "yes",
        )
        if ask.form.get("cylinders"):
            described_car(session, ask.who, case, {"cylinders": ask.form["cylinders"]})
    return go_to(f"/cases/{case.key}", "opened")


def case_page(ask: Ask) -> Response:
    """The page of a case: cautions, what is heard, what it may be, what next, questions, answer."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recordings = session.scalars(
            select(RecordingRow).where(RecordingRow.case_id == case.id).order_by(RecordingRow.id.desc())
        ).all()
        heards = heard_in_each(session, recordings)
        leading = _leading(heards, ask.request.query_params.get("recording"))
        advice = advice_for(session, case, leading)
        seen = {
            row.name: row.answer
            for row in session.scalars(select(SeenRow).where(SeenRow.case_id == case.id).order_by(SeenRow.at))
        }
        notes = session.scalars(select(NoteRow).where(NoteRow.case_id == case.id).order_by(NoteRow.id)).all()
        deeds = session.scalars(
            select(DeedRow).where(DeedRow.case_id == case.id).order_by(DeedRow.id.desc()).limit(30)
        ).all()
        comparisons = session.scalars(
            select(ComparisonRow).where(ComparisonRow.case_id == case.id).order_by(ComparisonRow.id.desc())
        ).all()
        marks = (
            session.scalars(select(MarkRow).where(MarkRow.recording_id == leading.recording.id)).all()
            if leading
            else []
        )
        car = session.get_one(CarRow, case.car_id)
        parcels = [paper for paper in papers_of(session, case, ("unpack",)) if paper.state != "done"]
    if ask.visitor.advisor and (case.seen_at or 0.0) < case.changed_at:
        with ask.room.store.writing() as session:
            session.get_one(CaseRow, case.id).seen_at = case.changed_at
    known = load_knowledge()
    drawing = (
        timeline_of(leading.result, [(mark.symptom, mark.start_s, mark.end_s) for mark in marks])
        if leading and leading.result
        else None
    )
    return page(
        ask,
        "case.html",
        here="case",
        case=case,
        car=car,
        heards=heards,
        leading=leading,
        drawing=drawing,
        anything=bool(advice.state.heard or advice.state.told),
        causes=[each for each in advice.causes if each.probability >= LEAST_SHARE][:MOST_CAUSES],
        checks=[_check(check, known) for check in advice.checks],
        question=advice.questions[0] if advice.questions else None,
        stop_rule=advice.plan.text(),
        cautions=advice.cautions,
        shorts={each.text: each.short for each in known.cautions},
        answered=[(known.observation(name), answer) for name, answer in seen.items() if _known(known, name)],
        notes=notes,
        deeds=deeds,
        comparisons=comparisons,
        urgency=urgency_of(case, seen, leading.probabilities if leading else {}),
        under_way=any(each.job and each.job.state in ("queued", "running") for each in heards),
        all_questions=known.observations if ask.request.query_params.get("questions") == "all" else (),
        seen=seen,
        parcels=parcels,
    )


def answer(ask: Ask) -> Response:
    """Keep the answers to questions: every field ``saw.NAME`` of the form."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        for field, value in ask.form.items():
            name = field.removeprefix("saw.")
            if name != field and (value or "all" not in ask.form):
                answer_question(session, ask.who, case, name, value)
    return go_to(f"/cases/{case.key}", "kept")


def note(ask: Ask) -> Response:
    """Keep a note, which owner and advisor both see."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        write_note(session, ask.who, case, ask.form.get("text", ""))
    return go_to(f"/cases/{case.key}", "kept")


def car_form(ask: Ask) -> Response:
    """The form about the car."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        car = session.get_one(CarRow, case.car_id)
    settings = {each.field: each for each in SETTINGS if each.field in CAR_KEYS}
    return page(
        ask,
        "car.html",
        here="case",
        case=case,
        car=car,
        settings=[settings[key] for key in CAR_KEYS],
        renewable=load_knowledge().renewable,
        renewed=car.renewed.split(",") if car.renewed else [],
    )


def car_kept(ask: Ask) -> Response:
    """Keep what was said of the car; the sound is judged anew with it at the next recording."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        stated = {**ask.form, "renewed": ",".join(ask.many.get("renewed", []))}
        described_car(session, ask.who, case, stated)
    return go_to(f"/cases/{case.key}", "kept")


def record_page(ask: Ask) -> Response:
    """Record in the browser with a sequence whose times become the steering phases."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
    return page(ask, "record.html", here="case", case=case, steps=STEPS, cautions=standing_cautions())


def _leading(heards: list[Heard], wanted: str | None) -> Heard | None:
    """Give the recording that is asked for, else the newest that was listened to."""
    done = [each for each in heards if each.stored is not None]
    asked = [each for each in done if str(each.recording.id) == wanted]
    return asked[0] if asked else done[0] if done else None


def _known(known: Any, name: str) -> bool:
    return any(each.name == name for each in known.observations)


def _check(check: Any, known: Any) -> dict[str, Any]:
    entry = known.check(check.name)
    titles = {cause.name: cause.title for cause in known.causes}
    return {
        "check": check,
        "cautions": [known.caution(code).short for code in entry.cautions],
        "apart": [titles.get(name, name) for name in check.tells_apart],
    }
