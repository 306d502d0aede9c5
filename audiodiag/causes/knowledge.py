"""The knowledge of a good mechanic as data: symptoms, causes, observations, links, checks and cautions.

`load_knowledge` reads the files of ``data/``, validates them by `audiodiag.causes.schema` and resolves every
link between them, so that the rest of the room can trust what it holds.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.causes.schema import read_file, refused
from audiodiag.records import SYMPTOMS

__all__ = [
    "NOT_LOOKED",
    "Answer",
    "Cause",
    "Caution",
    "Check",
    "Knowledge",
    "Link",
    "Observation",
    "Symptom",
    "load_knowledge",
]

NOT_LOOKED = "not_looked"
"""The answer that every observation takes and that says nothing."""


@dataclass(frozen=True)
class Symptom:
    """A sound, with how often it is there without a cause and how often the classifier was shown it."""

    name: str
    title: str
    heard: str
    leak: float
    prevalence: float
    cannot_tell: str
    source: str


@dataclass(frozen=True)
class Cause:
    """What one would repair. ``kind``: fault, normal (a part doing its duty) or none (the empty case)."""

    name: str
    title: str
    kind: str
    odds: float
    repair: str
    source: str


@dataclass(frozen=True)
class Answer:
    """One answer of an observation; ``leak`` is how often it is given with no cause at work."""

    name: str
    text: str
    leak: float


@dataclass(frozen=True)
class Observation:
    """What a person sees or feels: a question and its answers, the normal one first."""

    name: str
    question: str
    normal: Answer
    others: tuple[Answer, ...]
    source: str

    @property
    def answers(self) -> tuple[Answer, ...]:
        """The answers that say something, the normal one first."""
        return (self.normal, *self.others)

    def answer(self, name: str) -> Answer:
        """Give one answer by its name."""
        return next(answer for answer in self.answers if answer.name == name)


@dataclass(frozen=True)
class Link:
    """A cause shows itself by a symptom, or by an answer to an observation, in this share of cars."""

    cause: str
    symptom: str | None
    observation: str | None
    answer: str | None
    strength: float
    strength_when_pump_known: float
    why: str
    source: str


@dataclass(frozen=True)
class Check:
    """Something to do next: its cost in time and money, how invasive it is, and what it settles."""

    name: str
    title: str
    minutes: float
    cost_low: float
    cost_high: float
    currency: str
    rank: str
    settles: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Caution:
    """What can hurt someone, in a sentence and in few words, and when it is given."""

    code: str
    text: str
    short: str
    always: bool
    symptoms: tuple[str, ...]
    observations: tuple[tuple[str, str], ...]
    source: str


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All files together, resolved. ``causes`` holds the empty case ``nothing`` last."""

    symptoms: tuple[Symptom, ...]
    causes: tuple[Cause, ...]
    observations: tuple[Observation, ...]
    links: tuple[Link, ...]
    checks: tuple[Check, ...]
    cautions: tuple[Caution, ...]

    @property
    def at_work(self) -> tuple[Cause, ...]:
        """The causes that can be at work: all but the empty case."""
        return tuple(cause for cause in self.causes if cause.kind != "none")

    @property
    def nothing(self) -> Cause:
        """The empty case."""
        return next(cause for cause in self.causes if cause.kind == "none")

    def symptom(self, name: str) -> Symptom:
        """Give a symptom by its name."""
        return next(symptom for symptom in self.symptoms if symptom.name == name)

    def cause(self, name: str) -> Cause:
        """Give a cause by its name."""
        return next(cause for cause in self.causes if cause.name == name)

    def observation(self, name: str) -> Observation:
        """Give an observation by its name."""
        return next(observation for observation in self.observations if observation.name == name)

    def check(self, name: str) -> Check:
        """Give a check by its name."""
        return next(check for check in self.checks if check.name == name)


def load_knowledge(folder: str | Path | None = None) -> Knowledge:
    """Read, validate and resolve the knowledge; the shipped files are read once and kept.

    Parameters
    ----------
    folder:
        A folder with the six files; the shipped one if left out.

    Raises
    ------
    KnowledgeError
        Naming the file, the record and the key, what was got and what is allowed.

    Examples
    --------
    >>> load_knowledge().cause("slipping_belt").title
    'Belt slipping: slack, glazed or oily'
    """
    return _shipped() if folder is None else _read(Path(folder))


@functools.lru_cache(maxsize=1)
def _shipped() -> Knowledge:
    return _read(Path(__file__).resolve().parent / "data")


def _read(folder: Path) -> Knowledge:
    symptoms = tuple(Symptom(**entry) for entry in read_file(folder, "symptoms.toml"))
    _unique("symptoms.toml", [symptom.name for symptom in symptoms])
    if sorted(symptom.name for symptom in symptoms) != sorted(SYMPTOMS):
        raise refused(
            "symptoms.toml",
            "does not hold the six symptoms",
            got=", ".join(symptom.name for symptom in symptoms),
            allowed=", ".join(SYMPTOMS),
            todo="name each of the six once",
        )
    causes = _causes(read_file(folder, "causes.toml"))
    observations = _observations(read_file(folder, "observations.toml"))
    links = _links(read_file(folder, "links.toml"), causes, observations)
    cautions = _cautions(read_file(folder, "cautions.toml"), observations)
    checks = _checks(read_file(folder, "checks.toml"), observations, cautions)
    linked = {link.cause for link in links}
    for cause in causes:
        if cause.kind != "none" and cause.name not in linked:
            raise refused(
                f"links.toml: cause {cause.name}",
                "has no link",
                got="none",
                allowed="at least one link for each cause",
                todo="add a link or remove the cause",
            )
    return Knowledge(symptoms, causes, observations, links, checks, cautions)


def _unique(place: str, names: list[str]) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise refused(
                place, f"{name} stands twice", got=name, allowed="each name once", todo="rename or remove one"
            )


def _known(place: str, key: str, name: str, names: Iterable[str]) -> None:
    allowed = tuple(names)
    if name not in allowed:
        raise refused(
            place,
            f"{key} names what is not there",
            got=name,
            allowed=", ".join(allowed),
            todo="correct the name",
        )


def _causes(entries: list[dict[str, Any]]) -> tuple[Cause, ...]:
    _unique("causes.toml", [entry["name"] for entry in entries])
    empty = [entry["name"] for entry in entries if entry["kind"] == "none"]
    if len(empty) != 1:
        raise refused(
            "causes.toml",
            "needs exactly one cause of kind none",
            got=", ".join(empty) or "none",
            allowed="one, the empty case",
            todo="mark nothing_wrong as kind none and no other",
        )
    for entry in entries:
        if (entry["kind"] == "none") == ("odds" in entry):
            raise refused(
                f"causes.toml: {entry['name']}",
                "odds do not fit the kind",
                got=f"kind {entry['kind']} and odds {entry.get('odds', 'left out')}",
                allowed="odds for every cause but the one of kind none",
                todo="add or remove odds",
            )
    causes = [Cause(**{"odds": 1.0, **entry}) for entry in entries]
    return tuple(sorted(causes, key=lambda cause: cause.kind == "none"))


def _observations(entries: list[dict[str, Any]]) -> tuple[Observation, ...]:
    _unique("observations.toml", [entry["name"] for entry in entries])
    observations = []
    for entry in entries:
        place = f"observations.toml: {entry['name']}"
        answers = entry["answers"]
        names = [answer["name"] for answer in answers]
        _unique(place, names)
        _known(place, "normal", entry["normal"], names)
        if NOT_LOOKED in names or len(names) < 2:
            raise refused(
                place,
                "has answers that cannot be used",
                got=", ".join(names),
                allowed=f"two or more, without {NOT_LOOKED}, which is always there",
                todo="correct the answers",
            )
        for answer in answers:
            if (answer["name"] == entry["normal"]) == ("leak" in answer):
                raise refused(
                    f"{place}, answer {answer['name']}",
                    "leak does not fit",
                    got=f"leak {answer.get('leak', 'left out')}",
                    allowed="a leak for every answer but the normal one",
                    todo="add or remove leak",
                )
        made = [Answer(answer["name"], answer["text"], answer.get("leak", 0.0)) for answer in answers]
        normal = next(answer for answer in made if answer.name == entry["normal"])
        others = tuple(answer for answer in made if answer is not normal)
        observations.append(Observation(entry["name"], entry["question"], normal, others, entry["source"]))
    return tuple(observations)


def _links(
    entries: list[dict[str, Any]], causes: tuple[Cause, ...], observations: tuple[Observation, ...]
) -> tuple[Link, ...]:
    answers = {observation.name: observation for observation in observations}
    at_work = [cause.name for cause in causes if cause.kind != "none"]
    links: list[Link] = []
    for number, entry in enumerate(entries, start=1):
        place = f"links.toml: [[link]] number {number} ({entry['cause']})"
        _known(place, "cause", entry["cause"], at_work)
        symptom, observation = entry.get("symptom"), entry.get("observation")
        if (symptom is None) == (observation is None) or (observation is None) != ("answer" not in entry):
            raise refused(
                place,
                "names no single thing",
                got=", ".join(key for key in ("symptom", "observation", "answer") if key in entry)
                or "nothing",
                allowed="a symptom, or an observation with its answer",
                todo="name one of them",
            )
        if symptom is not None:
            _known(place, "symptom", symptom, SYMPTOMS)
        else:
            _known(place, "observation", entry["observation"], answers)
            others = [answer.name for answer in answers[entry["observation"]].others]
            _known(place, "answer", entry["answer"], others)
        link = Link(
            cause=entry["cause"],
            symptom=symptom,
            observation=observation,
            answer=entry.get("answer"),
            strength=float(entry["strength"]),
            strength_when_pump_known=float(entry.get("strength_when_pump_known", entry["strength"])),
            why=entry["why"],
            source=entry["source"],
        )
        links.append(link)
    ends = [(link.cause, link.symptom or "", link.observation or "", link.answer or "") for link in links]
    _unique("links.toml", [" ".join(part for part in end if part) for end in ends])
    return tuple(links)


def _cautions(entries: list[dict[str, Any]], observations: tuple[Observation, ...]) -> tuple[Caution, ...]:
    _unique("cautions.toml", [entry["code"] for entry in entries])
    possible = {
        f"{seen.name}={answer.name}": (seen.name, answer.name)
        for seen in observations
        for answer in seen.answers
    }
    cautions = []
    for entry in entries:
        place = f"cautions.toml: {entry['code']}"
        for name in entry.get("symptoms", []):
            _known(place, "symptoms", name, SYMPTOMS)
        for name in entry.get("observations", []):
            _known(place, "observations", name, possible)
        caution = Caution(
            code=entry["code"],
            text=entry["text"],
            short=entry["short"],
            always=entry.get("always", False),
            symptoms=tuple(entry.get("symptoms", [])),
            observations=tuple(possible[name] for name in entry.get("observations", [])),
            source=entry["source"],
        )
        cautions.append(caution)
    return tuple(cautions)


def _checks(
    entries: list[dict[str, Any]], observations: tuple[Observation, ...], cautions: tuple[Caution, ...]
) -> tuple[Check, ...]:
    _unique("checks.toml", [entry["name"] for entry in entries])
    checks = []
    for entry in entries:
        place = f"checks.toml: {entry['name']}"
        for name in entry["settles"]:
            _known(place, "settles", name, (observation.name for observation in observations))
        for code in entry.get("cautions", []):
            _known(place, "cautions", code, (caution.code for caution in cautions))
        if not entry["settles"] or entry["cost_low"] > entry["cost_high"]:
            raise refused(
                place,
                "settles nothing" if not entry["settles"] else "cost_low is above cost_high",
                got=f"settles {entry['settles']}, cost {entry['cost_low']} to {entry['cost_high']}",
                allowed="one observation or more, and the lower cost first",
                todo="correct the check",
            )
        checks.append(Check(**_as_check(entry)))
    return tuple(checks)


def _as_check(entry: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {key: float(entry[key]) for key in ("minutes", "cost_low", "cost_high")}
    lists = {key: tuple(entry.get(key, ())) for key in ("settles", "cautions")}
    return {**entry, **numbers, **lists}
