"""What people do with a case: open it, describe the car, answer questions, mark, correct, answer, close."""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from audiodiag.causes import load_knowledge
from audiodiag.causes.answers import circumstances_of
from audiodiag.causes.observations import validated_observations
from audiodiag.desk.jobs import CAR_FIELDS, ask_for
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import (
    BlockRow,
    CarRow,
    CaseRow,
    ComparisonRow,
    LabelRow,
    MarkRow,
    NoteRow,
    RecordingRow,
    SeenRow,
    VerdictRow,
)
from audiodiag.desk.vault import shown_name
from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS
from audiodiag.steering import phases_from_marks
from audiodiag.vehicle import Vehicle, with_options

__all__ = [
    "LEAST_FOLLOWED",
    "LONGEST_TEXT",
    "MOST_COMPARED",
    "VERDICTS",
    "add_recording",
    "answer_question",
    "ask_comparison",
    "ask_watch",
    "days_since_first",
    "described_car",
    "judge",
    "mark_stretch",
    "number_told",
    "open_case",
    "plain_text",
    "refuse_odd_telling",
    "remove_mark",
    "set_state",
    "write_block",
    "write_note",
]

LONGEST_TEXT = 20_000
STATES = ("open", "answered", "closed")
PURPOSES = ("", "before", "after")
VERDICTS = ("symptoms", "normal", "cannot_tell", "not_an_engine_bay")
"""What a person may put in place of the program's verdict."""
MOST_COMPARED = 4
MOST_BLED = 8
LEAST_FOLLOWED, MOST_FOLLOWED = 3, 24
_ENDLESS_S = 86400.0


def plain_text(said: str, what: str, *, most: int = LONGEST_TEXT, least: int = 0) -> str:
    """Give a text as it is kept: line ends alike, signs that do not print left out.

    Raises ``UsageError`` where it is too short or too long.

    >>> plain_text(" a\\r\\nb\\x07 ", "the note")
    'a\\nb'
    """
    lines = said.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    kept = "\n".join(
        "".join(s for s in line if s.isprintable() or s == "\t").rstrip() for line in lines
    ).strip()
    if not least <= len(kept) <= most:
        raise UsageError(
            f"{what} is too {'short' if len(kept) < least else 'long'}",
            got=f"{len(kept)} signs",
            allowed=f"{least} to {most} signs",
            todo="write a little more" if len(kept) < least else "shorten it",
        )
    return kept


def _fresh_key() -> str:
    """Draw 24 signs that nobody guesses; never a dash first, which a shell would take for an option."""
    while (key := secrets.token_urlsafe(18)).startswith("-"):
        pass
    return key


def open_case(
    session: Session, who: str, *, title: str, words: str = "", cannot_drive: bool = False
) -> CaseRow:
    """Open a case with a car of which nothing is known yet."""
    now = time.time()
    title = plain_text(title.replace("\n", " "), "the name of the car or case", most=80, least=1)
    car = CarRow(name=title)
    session.add(car)
    session.flush()
    case = CaseRow(
        key=_fresh_key(),
        title=title,
        words=plain_text(words, "the description", most=5000),
        cannot_drive=cannot_drive,
        car_id=car.id,
        made_at=now,
        changed_at=now,
    )
    session.add(case)
    session.flush()
    record_deed(session, who, "opened the case", case_id=case.id)
    return case


def described_car(session: Session, who: str, case: CaseRow, stated: Mapping[str, str]) -> None:
    """Keep what is stated of the car; an empty field means not known.

    Raises ``VehicleError`` or ``UsageError`` for what cannot be true.
    """
    whole = {"cylinders", "vanes"}
    car: dict[str, Any] = {
        field: _number(stated.get(field, ""), field, field in whole) for field in CAR_FIELDS
    }
    with_options(Vehicle(), **{key: value for key, value in car.items() if value is not None})
    life: dict[str, Any] = {
        field: _number(stated.get(field, ""), field, False) for field in ("age_years", "mileage_km")
    }
    renewed = [part for part in stated.get("renewed", "").split(",") if part]
    told = {key: value for key, value in life.items() if value is not None}
    circumstances_of({**told, **({"renewed": renewed} if renewed else {})}, {}, load_knowledge())
    row = session.get_one(CarRow, case.car_id)
    for field, value in {**car, **life, "renewed": ",".join(renewed)}.items():
        setattr(row, field, value)
    _changed(session, who, "described the car", case)


def add_recording(
    session: Session,
    who: str,
    case: CaseRow,
    *,
    sha256: str,
    size_bytes: int,
    file_name: str,
    purpose: str = "",
    steering: str = "",
    speed_rpm: str = "",
    most_in_case: int,
    most_waiting: int,
) -> RecordingRow:
    """Add a recording that lies in the vault already, and put it into the queue."""
    there = session.scalars(select(RecordingRow.id).where(RecordingRow.case_id == case.id)).all()
    if len(there) >= most_in_case:
        raise UsageError(
            "this case has too many recordings",
            got=f"{len(there)} recordings",
            allowed=f"at most {most_in_case}",
            todo="open a new case",
        )
    steering, rpm = refuse_odd_telling(purpose=purpose, steering=steering, speed_rpm=speed_rpm)
    recording = RecordingRow(
        case_id=case.id,
        sha256=sha256,
        size_bytes=size_bytes,
        file_name=shown_name(file_name),
        purpose=purpose,
        steering=steering,
        speed_rpm=rpm,
        received_at=time.time(),
        who=who,
    )
    session.add(recording)
    session.flush()
    ask_for(session, "listen", case.id, recording_id=recording.id, most_waiting=most_waiting)
    if case.state != "open":
        case.state = "open"
    _changed(session, who, "sent a recording", case, details=recording.file_name)
    return recording


def refuse_odd_telling(
    *, purpose: str = "", steering: str = "", speed_rpm: str = ""
) -> tuple[str, float | None]:
    """Check what is told of a recording; gives the steering and the speed as they are kept."""
    if purpose not in PURPOSES:
        raise UsageError(
            "the purpose of a recording is not known",
            got=purpose,
            allowed="before, after or nothing",
            todo="choose one of them",
        )
    steering = plain_text(steering, "the steering phases", most=2000)
    if steering:
        phases_from_marks(steering, _ENDLESS_S)
    rpm = _number(speed_rpm, "the engine speed", False, low=200, high=9000)
    return steering, rpm


def answer_question(session: Session, who: str, case: CaseRow, name: str, answer: str) -> None:
    """Keep the answer to one question; an empty answer takes an earlier one back."""
    if answer:
        validated_observations({name: answer}, load_knowledge())
    session.execute(delete(SeenRow).where(SeenRow.case_id == case.id, SeenRow.name == name))
    if answer:
        session.add(SeenRow(case_id=case.id, name=name, answer=answer, who=who, at=time.time()))
    said = answer or "taken back"
    _changed(session, who, "answered a question", case, details=f"{name[:60]}={said}")


def write_note(session: Session, who: str, case: CaseRow, text: str, *, kind: str = "note") -> None:
    """Keep a note, or the advisor's answer, which the owner sees and which settles the case for now."""
    kept = plain_text(text, "the answer" if kind == "answer" else "the note", least=1)
    session.add(NoteRow(case_id=case.id, kind=kind, text=kept, who=who, at=time.time()))
    if kind == "answer":
        case.state = "answered"
    _changed(session, who, "wrote an answer" if kind == "answer" else "wrote a note", case)


def set_state(session: Session, who: str, case: CaseRow, state: str) -> None:
    """Open a case again, or close it."""
    if state not in STATES:
        raise UsageError("the state is not known", got=state, allowed=", ".join(STATES), todo="choose one")
    case.state = state
    _changed(session, who, f"set the case to {state}", case)


def judge(
    session: Session,
    who: str,
    case: CaseRow,
    recording: RecordingRow,
    judged: Mapping[str, str],
    *,
    verdict: str = "",
) -> None:
    """Keep a person's judgement of the symptoms (heard, absent, nothing for not sure) and of the whole.

    ``verdict``: one of `VERDICTS`, or nothing where the program's stands. Raises ``UsageError`` where the two
    contradict each other.
    """
    for symptom in SYMPTOMS:
        word = judged.get(symptom, "")
        if word not in ("heard", "absent", ""):
            raise UsageError(
                "the judgement is not known", got=word, allowed="heard, absent or nothing", todo="choose one"
            )
    _refuse_contradiction({judged.get(symptom, "") for symptom in SYMPTOMS}, verdict)
    session.execute(delete(LabelRow).where(LabelRow.recording_id == recording.id))
    session.execute(delete(VerdictRow).where(VerdictRow.recording_id == recording.id))
    now = time.time()
    if verdict:
        session.add(VerdictRow(recording_id=recording.id, verdict=verdict, who=who, at=now))
    for symptom in SYMPTOMS:
        if judged.get(symptom):
            row = LabelRow(
                recording_id=recording.id, symptom=symptom, judged=judged[symptom], who=who, at=now
            )
            session.add(row)
    said = [f"{name} {word}" for name, word in judged.items() if name in SYMPTOMS and word]
    said += [f"verdict {verdict}"] if verdict else []
    _changed(session, who, "judged the sounds", case, details=", ".join(said), seen=True)


def _refuse_contradiction(words: set[str], verdict: str) -> None:
    """Refuse a verdict that is none, or that says something else than the sounds beside it."""
    if verdict not in ("", *VERDICTS):
        raise UsageError(
            "the verdict is not known",
            got=verdict[:40],
            allowed=f"{', '.join(VERDICTS)}, or nothing",
            todo="choose one, or let the program's stand",
        )
    against = {
        "symptoms": words == {"absent"},
        "normal": "heard" in words,
        "cannot_tell": words != {""},
        "not_an_engine_bay": words != {""},
    }
    if against.get(verdict, False):
        raise UsageError(
            "the verdict and the sounds contradict each other",
            got=f"{verdict}, with sounds that are {' and '.join(sorted(words - {''}))}",
            allowed="nothing wrong: no sound heard; cannot tell or no engine bay: no sound judged",
            todo="correct the sounds or the verdict",
        )


def mark_stretch(
    session: Session, who: str, case: CaseRow, recording: RecordingRow, symptom: str, start_s: str, end_s: str
) -> MarkRow:
    """Mark a stretch of a recording with a symptom that is heard there."""
    if symptom not in SYMPTOMS:
        raise UsageError(
            "the sound is not known", got=symptom, allowed=", ".join(SYMPTOMS), todo="choose one"
        )
    start = _number(start_s, "the start", False, low=0, high=_ENDLESS_S)
    end = _number(end_s, "the end", False, low=0, high=_ENDLESS_S)
    if start is None or end is None or end <= start:
        raise UsageError(
            "the stretch has no length",
            got=f"{start_s or 'nothing'} to {end_s or 'nothing'} s",
            allowed="an end after the start",
            todo="set the start and the end while listening",
        )
    mark = MarkRow(
        recording_id=recording.id, symptom=symptom, start_s=start, end_s=end, who=who, at=time.time()
    )
    session.add(mark)
    session.flush()
    _changed(session, who, "marked a stretch", case, details=f"{symptom} {start:g}-{end:g} s", seen=True)
    return mark


def remove_mark(session: Session, who: str, case: CaseRow, recording: RecordingRow, mark_id: int) -> None:
    """Take a mark away; one of another recording is left alone."""
    session.execute(delete(MarkRow).where(MarkRow.id == mark_id, MarkRow.recording_id == recording.id))
    _changed(session, who, "took a mark away", case, seen=True)


def _refuse_strange(chosen: Iterable[int], own: Collection[int]) -> None:
    """Refuse numbers of recordings that this case does not hold."""
    strange = sorted(set(chosen) - set(own))
    if strange:
        raise UsageError(
            "this case holds no such recording",
            got=f"number {', '.join(map(str, strange))}",
            allowed=", ".join(map(str, sorted(own))) or "none yet: it has no recordings",
            todo="choose recordings of this case",
        )


def ask_comparison(
    session: Session,
    who: str,
    case: CaseRow,
    before: Sequence[int],
    after: Sequence[int],
    *,
    one_phone: bool = False,
    most_waiting: int,
) -> ComparisonRow:
    """Ask for a comparison of recordings before and after the work.

    one_phone: whether all were made with one phone at one place, as somebody states.
    """
    own = set(session.scalars(select(RecordingRow.id).where(RecordingRow.case_id == case.id)))
    _refuse_strange([*before, *after], own)
    sides = (sorted(set(before)), sorted(set(after)))
    fits = all(1 <= len(side) <= MOST_COMPARED for side in sides)
    if not fits or set(before) & set(after):
        raise UsageError(
            "these sides cannot be compared",
            got=f"{len(sides[0])} recordings before and {len(sides[1])} after the work",
            allowed=f"1 to {MOST_COMPARED} of this case on each side, none on both",
            todo="choose at least one recording on each side",
        )
    row = ComparisonRow(
        case_id=case.id,
        before=json.dumps(sides[0]),
        after=json.dumps(sides[1]),
        settings=json.dumps({"one_phone": True} if one_phone else {}),
        made_at=time.time(),
    )
    session.add(row)
    session.flush()
    ask_for(session, "compare", case.id, comparison_id=row.id, most_waiting=most_waiting)
    _changed(session, who, "asked for a comparison", case)
    return row


def ask_watch(
    session: Session,
    who: str,
    case: CaseRow,
    kind: str,
    recordings: Sequence[int],
    *,
    cycle_s: float | None = None,
    at: Sequence[float] = (),
    unit: str = "day",
    most_waiting: int,
) -> ComparisonRow:
    """Ask for a bleed watch, or for the course of the sounds over time (``kind`` bleed or trend).

    The recordings count in the order given. ``cycle_s``: length of a lock-to-lock cycle of bleeding; ``at``:
    days or mileage of each recording of a course, by default the days at which they arrived.
    """
    own = {
        row.id: row for row in session.scalars(select(RecordingRow).where(RecordingRow.case_id == case.id))
    }
    least, most = (1, MOST_BLED) if kind == "bleed" else (LEAST_FOLLOWED, MOST_FOLLOWED)
    _refuse_strange(recordings, own)
    chosen = list(dict.fromkeys(recordings))
    if not least <= len(chosen) <= most or len(chosen) != len(recordings):
        raise UsageError(
            "these recordings cannot be watched" if kind == "bleed" else "these recordings give no course",
            got=f"{len(recordings)} recordings",
            allowed=f"{least} to {most} different recordings of this case",
            todo="choose recordings of this case, each once, in the order they were made",
        )
    if at and len(at) != len(chosen):
        raise UsageError(
            "every recording needs its date or mileage",
            got=f"{len(chosen)} recordings and {len(at)} places",
            allowed="as many places as recordings, in the same order",
            todo="state a number of days or a mileage for each",
        )
    if kind == "bleed":
        settings: dict[str, Any] = {"cycle_s": cycle_s}
    else:
        places = list(at) or days_since_first([own[each].received_at for each in chosen])
        settings = {"at": places, "unit": unit if at else "day"}
    row = ComparisonRow(
        case_id=case.id,
        kind=kind,
        before=json.dumps(chosen),
        after="[]",
        settings=json.dumps(settings),
        made_at=time.time(),
    )
    session.add(row)
    session.flush()
    ask_for(session, kind, case.id, comparison_id=row.id, most_waiting=most_waiting)
    said = "asked for a bleed watch" if kind == "bleed" else "asked for the course over time"
    _changed(session, who, said, case)
    return row


def days_since_first(arrived_s: Sequence[float]) -> list[float]:
    """Give the days from the first arrival to each, to the thousandth.

    >>> days_since_first([86400.0, 0.0, 129600.0])
    [1.0, 0.0, 1.5]
    """
    days = [at_s / 86400.0 for at_s in arrived_s]
    return [round(day - min(days), 3) for day in days]


def write_block(session: Session, who: str, title: str, text: str) -> None:
    """Keep a text block for answers."""
    session.add(
        BlockRow(
            title=plain_text(title.replace("\n", " "), "the block's name", most=60, least=1),
            text=plain_text(text, "the block", most=4000, least=1),
            who=who,
            at=time.time(),
        )
    )
    record_deed(session, who, "wrote a text block", details=title)


def _changed(
    session: Session, who: str, what: str, case: CaseRow, *, details: str = "", seen: bool = False
) -> None:
    """Write down a change; what an advisor did at the bench (``seen``) is not news to the inbox."""
    case.changed_at = time.time()
    if seen:
        case.seen_at = case.changed_at
    record_deed(session, who, what, case_id=case.id, details=details)


def number_told(said: str, what: str, *, low: float = 0.0, high: float = 1e7) -> float | None:
    """Read a number that may be left empty; a decimal comma is read too.

    Raises ``UsageError`` for what is no number, or too small or too large.

    >>> number_told("2,5", "the length"), number_told(" ", "the length")
    (2.5, None)
    """
    value = _number(said, what, False, low=low, high=high)
    return None if value is None else float(value)


def _number(said: str, what: str, whole: bool, *, low: float = 0.0, high: float = 1e7) -> Any:
    """Read a number that may be left empty; a decimal comma is read too, grouped digits and those of another
    script are not."""
    text = said.strip().replace(",", ".")
    if not text:
        return None
    try:
        value = int(text) if whole else float(text)
        good = low <= value <= high and text.isascii() and "_" not in text
    except (ValueError, OverflowError):
        good = False
    if not good:
        raise UsageError(
            f"{what.replace('_', ' ')} cannot be used",
            got=said[:40],
            allowed=f"a {'whole ' if whole else ''}number from {low:g} to {high:g}",
            todo="correct it, or leave it empty if it is not known",
        )
    return value
