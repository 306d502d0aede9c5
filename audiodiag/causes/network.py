"""Which causes are at work, exactly: every set of causes is counted and weighed by Bayes' rule.

Sets: up to two faults at once, each with or without the parts that only do their duty (kind ``normal``). A
set's prior is the product of its odds. A sound, or an answer, is there unless everything that could bring it
about fails to: a noisy-or with leak (Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, section
4.3; cited from memory). With several abnormal answers to one question the normal one is what is left when
none is brought about, and the others share the rest in proportion to their own noisy-or.

A symptom's probability p is soft evidence: against the prevalence q of the classifier's training clips it
carries the likelihood ratio ``L = p (1 - q) / ((1 - p) q)``, held between the ratios that were measured for
"heard" (recall by false alarms) and for "not heard" (what both leave), because the classifier has proved no
more than these. A set that would bring the symptom about with probability s is weighed by ``s L + 1 - s``.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from audiodiag.causes.knowledge import NOT_LOOKED, Knowledge
from audiodiag.classifier.store import Confusion, measured_confusion
from audiodiag.records import FloatArray, read_only
from audiodiag.vehicle import Vehicle

__all__ = [
    "MOST_FAULTS",
    "Posterior",
    "answer_table",
    "likelihood_ratio",
    "posterior",
    "pump_known",
    "sets_of",
    "symptom_table",
]

MOST_FAULTS = 2
"""So many faults at once are thought of."""
SURE = 1e-9
"""Probabilities this near to 0 or 1 are taken to be this near."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """Weighed sets of causes.

    members: 0 or 1, shape (sets, causes), columns as in ``Knowledge.at_work``; the first set is empty.
    weight: shape (sets,), sums to 1.
    """

    members: FloatArray
    weight: FloatArray

    @property
    def cause_probability(self) -> FloatArray:
        """Probability that each cause is at work, shape (causes,)."""
        return self.weight @ self.members

    @property
    def nothing_probability(self) -> float:
        """Probability that no cause at all is at work."""
        return float(self.weight[0])


def pump_known(vehicle: Vehicle | None) -> bool:
    """Say whether the order of the pump's ripple is stated, so that a tone could be tied to the pump."""
    return vehicle is not None and vehicle.first_ripple_order is not None


@functools.lru_cache(maxsize=8)
def sets_of(knowledge: Knowledge) -> FloatArray:
    """Give every set of causes that is thought of, 0 or 1, shape (sets, causes); the first is empty."""
    kinds = [cause.kind for cause in knowledge.at_work]
    faults = [index for index, kind in enumerate(kinds) if kind == "fault"]
    normal = [index for index, kind in enumerate(kinds) if kind == "normal"]
    rows = []
    for count in range(MOST_FAULTS + 1):
        for chosen in itertools.combinations(faults, count):
            for extra in range(len(normal) + 1):
                for also in itertools.combinations(normal, extra):
                    rows.append([float(index in chosen or index in also) for index in range(len(kinds))])
    return read_only(np.array(rows))


@functools.lru_cache(maxsize=256)
def _brought_about(
    knowledge: Knowledge, known_pump: bool, thing: str, answer: str, leak: float
) -> FloatArray:
    """Noisy-or of one symptom, or of one answer to an observation, for every set, shape (sets,)."""
    names = [cause.name for cause in knowledge.at_work]
    fails = np.zeros(len(names))
    for link in knowledge.links:
        if thing == (link.observation or link.symptom) and (link.answer or "") == answer:
            strength = link.strength_when_pump_known if known_pump else link.strength
            fails[names.index(link.cause)] = math.log1p(-strength)
    return read_only(1.0 - (1.0 - leak) * np.exp(sets_of(knowledge) @ fails))


def symptom_table(knowledge: Knowledge, symptom: str, *, known_pump: bool) -> FloatArray:
    """Give the probability of a symptom for every set of causes, shape (sets,)."""
    return _brought_about(knowledge, known_pump, symptom, "", knowledge.symptom(symptom).leak)


@functools.lru_cache(maxsize=256)
def answer_table(knowledge: Knowledge, observation: str, *, known_pump: bool) -> FloatArray:
    """Give the probability of every answer for every set, shape (sets, answers), the normal answer first."""
    seen = knowledge.observation(observation)
    acts = np.stack(
        [_brought_about(knowledge, known_pump, seen.name, other.name, other.leak) for other in seen.others],
        axis=1,
    )
    normal = np.prod(1.0 - acts, axis=1)
    rest = acts * ((1.0 - normal) / acts.sum(axis=1))[:, np.newaxis]
    return read_only(np.concatenate([normal[:, np.newaxis], rest], axis=1))


def likelihood_ratio(probability: float, prevalence: float, confusion: Confusion) -> float:
    """Turn a classifier's probability into evidence, within what its measured confusion supports.

    >>> measured = Confusion(recall=0.5, false_alarms=0.02)
    >>> likelihood_ratio(0.25, 0.25, measured), likelihood_ratio(0.999, 0.25, measured)
    (1.0, 25.0)
    """
    bounded = min(max(probability, SURE), 1.0 - SURE)
    ratio = bounded * (1.0 - prevalence) / ((1.0 - bounded) * prevalence)
    return min(max(ratio, confusion.ratio_unheard), confusion.ratio_heard)


def posterior(
    probabilities: Mapping[str, float],
    observations: Mapping[str, str],
    *,
    knowledge: Knowledge,
    vehicle: Vehicle | None = None,
    prevalence: Mapping[str, float] | None = None,
    confusion: Mapping[str, Confusion] | None = None,
    factors: Mapping[str, float] | None = None,
) -> Posterior:
    """Weigh every set of causes by what was heard and seen; symptoms that are left out say nothing.

    ``confusion``: of each symptom, the shipped model's measured one if left out. ``factors``: what multiplies
    the prior odds of causes (`audiodiag.causes.circumstances.prior_factors`). The values are trusted here;
    `audiodiag.causes.observations` validates them.
    """
    members = sets_of(knowledge)
    measured = measured_confusion() if confusion is None else confusion
    odds = [cause.odds * (factors or {}).get(cause.name, 1.0) for cause in knowledge.at_work]
    log_weight = members @ np.log(odds)
    known = pump_known(vehicle)
    for name, probability in probabilities.items():
        share = (prevalence or {}).get(name, knowledge.symptom(name).prevalence)
        present = symptom_table(knowledge, name, known_pump=known)
        ratio = likelihood_ratio(probability, share, measured[name])
        log_weight = log_weight + np.log(present * ratio + 1.0 - present)
    for name, answer in observations.items():
        if answer == NOT_LOOKED:
            continue
        place = [option.name for option in knowledge.observation(name).answers].index(answer)
        log_weight = log_weight + np.log(answer_table(knowledge, name, known_pump=known)[:, place])
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(members, read_only(weight / weight.sum()))
