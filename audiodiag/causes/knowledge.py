"""The knowledge of a good mechanic: symptoms, causes, observations, links, checks, remedies and cautions.

`audiodiag.causes.loading` fills it from the files of ``data/``, validated and with every link resolved, so
that the rest of the room can trust what it holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from audiodiag.causes.prices import Prices

__all__ = [
    "NOT_LOOKED",
    "Answer",
    "Cause",
    "Caution",
    "Check",
    "Knowledge",
    "Link",
    "Observation",
    "Prior",
    "Remedy",
    "Sheet",
    "Symptom",
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
    from_memory: bool = False

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
    """Something to do next: its cost in time and money, how invasive it is, and what it settles.

    ``price`` is what it counts for in the ranking: money, minutes and surcharge, in the currency.
    """

    name: str
    title: str
    minutes: float
    cost_low: float
    cost_high: float
    currency: str
    rank: str
    price: float
    settles: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Remedy:
    """What one would do in the end: which causes it cures and what it costs; ``price`` as for a check."""

    name: str
    title: str
    cures: tuple[str, ...]
    minutes: float
    cost_low: float
    cost_high: float
    currency: str
    rank: str
    price: float
    sheet: str | None
    cautions: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Prior:
    """How the odds of a cause change with the car: points over age and mileage, factors of renewed parts."""

    cause: str
    age_years: tuple[tuple[float, float], ...]
    mileage_km: tuple[tuple[float, float], ...]
    renewed: tuple[tuple[str, float], ...]
    suction: bool
    source: str


@dataclass(frozen=True)
class Sheet:
    """A work sheet: when it is due, what is needed, what to do, when it is done and when to stop."""

    name: str
    title: str
    for_causes: tuple[str, ...]
    when: str
    needs: tuple[str, ...]
    steps: tuple[str, ...]
    done_when: str
    stop_if: str
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
    remedies: tuple[Remedy, ...]
    priors: tuple[Prior, ...]
    sheets: tuple[Sheet, ...]
    prices: Prices = field(repr=False)

    @cached_property
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

    def remedy_of(self, cause: str) -> Remedy:
        """Give the remedy that cures a cause."""
        return next(remedy for remedy in self.remedies if cause in remedy.cures)

    def caution(self, code: str) -> Caution:
        """Give a caution by its code."""
        return next(caution for caution in self.cautions if caution.code == code)

    def sheet(self, name: str) -> Sheet:
        """Give a work sheet by its name."""
        return next(sheet for sheet in self.sheets if sheet.name == name)

    @property
    def renewable(self) -> tuple[str, ...]:
        """The parts of which it can be said that they were renewed."""
        return tuple(sorted({part for prior in self.priors for part, _ in prior.renewed}))
