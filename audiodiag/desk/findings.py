"""From what is stored of a case to what its page tells: advice, urgency, the newest answer of the sound."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from audiodiag.causes import load_knowledge
from audiodiag.causes.advice import Advice, advice_in
from audiodiag.causes.answers import circumstances_of
from audiodiag.causes.state import State
from audiodiag.classifier.store import load_model
from audiodiag.comparison.compare import UNHEARD
from audiodiag.desk.jobs import CAR_FIELDS
from audiodiag.desk.tables import (
    AnalysisRow,
    CarRow,
    CaseRow,
    JobRow,
    LabelRow,
    RecordingRow,
    SeenRow,
    VerdictRow,
)
from audiodiag.report.wording import HEARD_FROM, SYMPTOM_WORDS, percent
from audiodiag.vehicle import Vehicle, with_options

__all__ = [
    "Heard",
    "Urgency",
    "advice_for",
    "advice_of",
    "chances_with",
    "corrected_words",
    "heard_in",
    "heard_in_each",
    "parted_changes",
    "standing_cautions",
    "state_with",
    "urgency_of",
]

GRAVE_ANSWERS = {
    ("belt_look", "frayed"): "belt frayed, cracked or short of ribs",
    ("belt_look", "glazed_or_oily"): "belt glazed or oily: fluid may be on it",
    ("fresh_leak", "at_the_pump"): "fluid at the pump, near the belt",
    ("fresh_leak", "seen"): "fresh leak",
    ("fresh_leak", "at_a_line"): "fresh leak at a line",
    ("fresh_leak", "at_the_gear"): "fresh leak at the gear",
    ("wheel_effort", "heavy_always"): "wheel heavy",
    ("wheel_effort", "heavy_one_way"): "wheel heavy one way",
    ("wheel_effort", "jerks_at_low_speed"): "assistance jerks",
    ("fluid_particles", "debris"): "debris in the fluid",
    ("fluid_level", "low"): "fluid low",
}
"""Answers that make a case urgent, with the words of the inbox; the caution "do not drive" has all of them
but the oily belt, which may come from fluid on it."""
_SOUNDS_OF_BELT = ("belt_squeal", "bearing_growl")


@dataclass(frozen=True)
class Heard:
    """The newest analysis of one recording with what people judged of it; ``stored`` is its JSON as text."""

    recording: RecordingRow
    stored: str | None
    version: str
    labels: dict[str, str]
    job: JobRow | None
    verdict: VerdictRow | None = None
    kind: str = ""

    @cached_property
    def result(self) -> dict[str, Any] | None:
        """What the worker brought back, with a person's own verdict in place of the program's.

        Read only where it is looked at, for it is long.
        """
        found: dict[str, Any] | None = json.loads(self.stored) if self.stored else None
        if found is not None and self.verdict is not None:
            said = corrected_words(self.verdict, self.labels)
            found["analysis"]["verdict"] = {"kind": self.verdict.verdict, "text": said}
        return found

    @property
    def program_says(self) -> str:
        """The program's own verdict in words; empty where it has not listened."""
        return str(json.loads(self.stored)["analysis"]["verdict"]["text"]) if self.stored else ""

    @property
    def probabilities(self) -> dict[str, float]:
        """Probability of each sound; a person's judgement stands before the program's."""
        found = self.result["analysis"] if self.result else None
        judged = found is not None and found["verdict"]["kind"] in ("symptoms", "normal")
        given = {each["name"]: each["probability"] for each in found["symptoms"]} if judged and found else {}
        return chances_with(given, self.labels)

    @property
    def simulated(self) -> bool:
        """Whether the clip says of itself that it was simulated."""
        return '"simulated": true' in (self.stored or "")

    @property
    def refusal(self) -> dict[str, str] | None:
        """Why the recording could not be listened to, where it could not."""
        if self.job is None or self.job.state != "failed" or not self.job.said:
            return None
        return dict(json.loads(self.job.said))


@dataclass(frozen=True)
class Urgency:
    """How much a case presses: ``rank`` 0 (not) to 2 (the car must not drive), with the reasons in words."""

    rank: int
    reasons: tuple[str, ...]


def chances_with(given: Mapping[str, float | None], labels: Mapping[str, str]) -> dict[str, float]:
    """Put a person's judgement before the program's probabilities; unknown ones are left out.

    >>> chances_with({"belt_squeal": 0.4, "belt_chirp": None}, {"belt_squeal": "heard"})
    {'belt_squeal': 0.97}
    """
    known = {name: value for name, value in given.items() if value is not None}
    return {**known, **{name: 0.97 if word == "heard" else 0.03 for name, word in labels.items()}}


def corrected_words(verdict: VerdictRow, labels: Mapping[str, str]) -> str:
    """Say a person's own verdict.

    >>> corrected_words(VerdictRow(verdict="symptoms", who="Ada"), {"belt_squeal": "heard"})
    'Ada hears: belt squeal'
    """
    sounds = ", ".join(SYMPTOM_WORDS[name] for name, word in labels.items() if word == "heard")
    said = {
        "symptoms": f"hears: {sounds}" if sounds else "hears that something is wrong",
        "normal": "hears nothing wrong",
        "cannot_tell": "cannot tell from this recording",
        "not_an_engine_bay": "hears no engine bay in it",
    }
    return f"{verdict.who} {said[verdict.verdict]}"


def heard_in(session: Session, recording: RecordingRow) -> Heard:
    """Gather what is known of one recording."""
    return heard_in_each(session, [recording])[0]


def heard_in_each(session: Session, recordings: Sequence[RecordingRow]) -> list[Heard]:
    """Gather what is known of recordings, in their order; as quick for fifty as for one."""
    ids = [recording.id for recording in recordings]
    newest = (
        select(func.max(AnalysisRow.id))
        .where(AnalysisRow.recording_id.in_(ids))
        .group_by(AnalysisRow.recording_id)
    )
    rows = {
        row.recording_id: row
        for row in session.scalars(select(AnalysisRow).where(AnalysisRow.id.in_(newest)))
    }
    last = (
        select(func.max(JobRow.id))
        .where(JobRow.recording_id.in_(ids), JobRow.kind == "listen")
        .group_by(JobRow.recording_id)
    )
    jobs = {job.recording_id: job for job in session.scalars(select(JobRow).where(JobRow.id.in_(last)))}
    judged: dict[int, dict[str, str]] = {}
    for label in session.scalars(select(LabelRow).where(LabelRow.recording_id.in_(ids))):
        judged.setdefault(label.recording_id, {})[label.symptom] = label.judged
    own = {
        each.recording_id: each
        for each in session.scalars(select(VerdictRow).where(VerdictRow.recording_id.in_(ids)))
    }
    found = []
    for recording in recordings:
        row, labels = rows.get(recording.id), judged.get(recording.id, {})
        stored, version, kind = (row.result, row.version, row.verdict) if row else (None, "", "")
        job, verdict = jobs.get(recording.id), own.get(recording.id)
        found.append(Heard(recording, stored, version, labels, job, verdict, kind))
    return found


def advice_for(session: Session, case: CaseRow, heard: Heard | None) -> Advice:
    """Give the advice in a case: by one recording, all answers, the car and its life."""
    car = session.get_one(CarRow, case.car_id)
    seen = {
        row.name: row.answer for row in session.scalars(select(SeenRow).where(SeenRow.case_id == case.id))
    }
    by_sound = dict(heard.result["answers"]) if heard is not None and heard.result else {}
    return advice_of(
        tuple(sorted((heard.probabilities if heard else {}).items())),
        tuple(sorted({**by_sound, **seen}.items())),
        tuple((field, getattr(car, field)) for field in CAR_FIELDS),
        (car.age_years, car.mileage_km, car.renewed),
        tuple(sorted(by_sound.keys() - seen.keys())),
    )


@lru_cache(maxsize=256)
def advice_of(
    heard: tuple[tuple[str, float], ...],
    seen: tuple[tuple[str, str], ...],
    car: tuple[tuple[str, Any], ...],
    life: tuple[float | None, float | None, str],
    by_ear: tuple[str, ...] = (),
) -> Advice:
    """Give the advice in one state, kept for the next look at it.

    >>> advice_of((("belt_squeal", 0.9),), (), (), (None, None, "")).checks[0].name
    'look_at_belt'
    """
    return advice_in(state_with(heard, seen, car, life, by_ear))


def state_with(
    heard: tuple[tuple[str, float], ...],
    seen: tuple[tuple[str, str], ...],
    car: tuple[tuple[str, Any], ...],
    life: tuple[float | None, float | None, str],
    by_ear: tuple[str, ...] = (),
) -> State:
    """Build the state of the inference; an answer that a newer knowledge no longer has is left out."""
    knowledge = load_knowledge()
    known = {
        observation.name: {answer.name for answer in observation.answers} | {"not_looked"}
        for observation in knowledge.observations
    }
    stated = {key: value for key, value in car if value is not None}
    age_years, mileage_km, renewed = life
    told: dict[str, Any] = {
        key: value
        for key, value in (("age_years", age_years), ("mileage_km", mileage_km))
        if value is not None
    }
    if renewed:
        told["renewed"] = renewed.split(",")
    names = {symptom.name for symptom in knowledge.symptoms}
    return State.of(
        {name: value for name, value in heard if name in names},
        knowledge=knowledge,
        observations={name: answer for name, answer in seen if answer in known.get(name, ())},
        vehicle=with_options(Vehicle(), **stated) if stated else None,
        prevalence=_prevalence(),
        circumstances=circumstances_of(told, {}, knowledge) if told else None,
        by_ear=by_ear,
    )


def parted_changes(symptoms: Sequence[dict[str, Any]]) -> tuple[list[dict[str, Any]], str]:
    """Give the changes of a kept comparison, what can be told first, and the sounds that no side holds.

    >>> kept = [
    ...     {"name": "belt_chirp", "verdict": "cannot_tell", "text": "belt chirp: CANNOT TELL, " + UNHEARD},
    ...     {"name": "belt_squeal", "verdict": "cannot_tell", "text": "belt squeal: CANNOT TELL, too short"},
    ...     {"name": "pump_whine", "verdict": "gone", "text": "pump whine: GONE"},
    ... ]
    >>> [each["name"] for each in parted_changes(kept)[0]], parted_changes(kept)[1]
    (['pump_whine', 'belt_squeal'], 'belt chirp')
    """
    heard = [each for each in symptoms if not each["text"].endswith(UNHEARD)]
    heard.sort(key=lambda each: each["verdict"] == "cannot_tell")
    unheard = [SYMPTOM_WORDS[each["name"]] for each in symptoms if each not in heard]
    return heard, ", ".join(unheard)


def standing_cautions() -> list[str]:
    """Give the cautions that always hold, for pages that speak of no case yet."""
    return [caution.text for caution in load_knowledge().cautions if caution.always]


@lru_cache(maxsize=1)
def _prevalence() -> Any:
    """How often the model was shown each sound; its file is read once."""
    return load_model().shares


def urgency_of(case: CaseRow, seen: dict[str, str], probabilities: dict[str, float]) -> Urgency:
    """Say how much a case presses and why.

    >>> case = CaseRow(cannot_drive=False)
    >>> urgency_of(case, {"belt_look": "frayed"}, {"belt_squeal": 0.8})
    Urgency(rank=1, reasons=('belt frayed, cracked or short of ribs', 'belt squeal 80 %'))
    """
    reasons = ["its owner says that it cannot be driven safely"] if case.cannot_drive else []
    reasons += [said for answer, said in GRAVE_ANSWERS.items() if answer in seen.items()]
    reasons += [
        f"{SYMPTOM_WORDS[name]} {percent(probabilities[name])}"
        for name in _SOUNDS_OF_BELT
        if probabilities.get(name, 0.0) >= HEARD_FROM
    ]
    return Urgency(2 if case.cannot_drive else 1 if reasons else 0, tuple(reasons))
