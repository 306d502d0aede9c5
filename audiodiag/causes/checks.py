"""What to look at next: most information for least time and money, safe and reversible things first.

The gain of a check is the mutual information between its answers and the set of causes at work, in bits: the
entropy of the answers less their mean entropy given the set (Cover and Thomas, Elements of Information
Theory, 2nd ed., section 2.3; cited from memory). Only causes count that could explain what was heard or
seen; where nothing was, all of them do. Its price is the middle of its cost, one's own minutes at a stated
rate, and a surcharge for how invasive it is: an assumption of this program. While no fault is probable,
nothing that opens the system or goes to a workshop is advised.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from audiodiag.causes.knowledge import Check, Knowledge
from audiodiag.causes.network import Posterior, answer_table, posterior, pump_known
from audiodiag.causes.observations import validated_observations, validated_probabilities
from audiodiag.records import CheckAdvice, FloatArray
from audiodiag.vehicle import Vehicle

__all__ = ["EUR_PER_MINUTE", "next_checks", "price_eur"]

EUR_PER_MINUTE = 0.5
"""What a minute of one's own time is taken to be worth: 30 EUR an hour."""
SURCHARGE_EUR = {"look": 0.0, "touch": 0.5, "work": 20.0, "workshop": 40.0}
"""What it counts, besides time and money, that a check is more invasive."""
TIER = {"look": 0, "touch": 0, "work": 1, "workshop": 2}
"""Looking and touching come before work, work before the workshop, whatever they gain."""
PROBABLE = 0.5
"""Below this probability of any fault, only looking and touching are advised."""
LEAST_BITS = 0.01
"""A check that gains less is not advised."""


def price_eur(check: Check, *, eur_per_minute: float = EUR_PER_MINUTE) -> float:
    """Give what a check counts for in the ranking: money, minutes and surcharge, in EUR.

    >>> from audiodiag.causes import load_knowledge
    >>> price_eur(load_knowledge().check("look_at_fluid"))
    2.5
    """
    money = 0.5 * (check.cost_low + check.cost_high)
    return money + eur_per_minute * check.minutes + SURCHARGE_EUR[check.rank]


def next_checks(
    probabilities: Mapping[str, float],
    *,
    knowledge: Knowledge,
    vehicle: Vehicle | None = None,
    observations: Mapping[str, str] | None = None,
    prevalence: Mapping[str, float] | None = None,
    eur_per_minute: float = EUR_PER_MINUTE,
    most: int = 6,
) -> tuple[CheckAdvice, ...]:
    """Give the checks worth doing, best first; the arguments are those of `infer_causes`.

    Parameters
    ----------
    eur_per_minute:
        What a minute of one's own time is worth.
    most:
        At most so many checks.

    Returns
    -------
    tuple of CheckAdvice
        ``gain_bits``: expected information about which of the causes that could explain what was heard or
        seen are at work, counting only questions that have not been answered yet. ``tells_apart``: titles
        of the causes that the check says most about.

    Examples
    --------
    >>> from audiodiag.causes import load_knowledge
    >>> next_checks({"cavitation_groan": 0.9}, knowledge=load_knowledge())[0].name
    'look_at_fluid'
    """
    heard = validated_probabilities(probabilities, knowledge)
    seen = validated_observations(observations, knowledge)
    weighed = posterior(heard, seen, knowledge=knowledge, vehicle=vehicle, prevalence=prevalence)
    known = pump_known(vehicle)
    asked = _asked_about(knowledge, heard, seen, prevalence)
    weight, groups = _grouped(weighed, asked)
    highest = TIER["workshop"] if _fault_probability(knowledge, weighed, asked) >= PROBABLE else TIER["touch"]
    ranked: list[tuple[int, float, CheckAdvice]] = []
    for check in knowledge.checks:
        if TIER[check.rank] > highest:
            continue
        open_questions = [name for name in check.settles if name not in seen]
        if not open_questions:
            continue
        table = _joint_table(knowledge, open_questions, known_pump=known)
        gain_bits = _information_bits(weight, groups @ table)
        if gain_bits < LEAST_BITS:
            continue
        advice = CheckAdvice(
            name=check.name,
            title=check.title,
            minutes=check.minutes,
            cost_low=check.cost_low,
            cost_high=check.cost_high,
            currency=check.currency,
            gain_bits=gain_bits,
            tells_apart=_tells_apart(knowledge, weighed, table, asked),
        )
        worth = gain_bits / price_eur(check, eur_per_minute=eur_per_minute)
        ranked.append((TIER[check.rank], -worth, advice))
    ranked.sort(key=lambda entry: entry[:2])
    return tuple(advice for _, _, advice in ranked[:most])


def _joint_table(knowledge: Knowledge, observations: list[str], *, known_pump: bool) -> FloatArray:
    """Probability of every combination of answers for every set of causes, shape (sets, combinations)."""
    joint: FloatArray | None = None
    for name in observations:
        table = answer_table(knowledge, name, known_pump=known_pump)
        if joint is None:
            joint = table
        else:
            joint = (joint[:, :, np.newaxis] * table[:, np.newaxis, :]).reshape(len(table), -1)
    assert joint is not None
    return joint


def _entropy_bits(shares: FloatArray) -> FloatArray:
    """Entropy along the last axis, in bits."""
    safe = np.where(shares > 0, shares, 1.0)
    return -np.sum(shares * np.log2(safe), axis=-1)


def _information_bits(weight: FloatArray, table: FloatArray) -> float:
    """Mutual information of states weighed by ``weight`` and answers given by ``table``, at least 0."""
    return max(0.0, float(_entropy_bits(weight @ table) - weight @ _entropy_bits(table)))


def _asked_about(
    knowledge: Knowledge,
    heard: Mapping[str, float],
    seen: Mapping[str, str],
    prevalence: Mapping[str, float] | None,
) -> list[int]:
    """Give the columns of the causes that could explain what was heard or seen; all where nothing was."""
    usual = {symptom.name: symptom.prevalence for symptom in knowledge.symptoms} | dict(prevalence or {})
    loud = {name for name, probability in heard.items() if probability > usual[name]}
    able = {
        link.cause
        for link in knowledge.links
        if link.symptom in loud
        or (link.observation is not None and seen.get(link.observation) == link.answer)
    }
    return [index for index, cause in enumerate(knowledge.at_work) if not able or cause.name in able]


def _fault_probability(knowledge: Knowledge, weighed: Posterior, asked: list[int]) -> float:
    """Probability that at least one of the faults asked about is at work."""
    faults = [index for index in asked if knowledge.at_work[index].kind == "fault"]
    return float(weighed.weight[weighed.members[:, faults].any(axis=1)].sum())


def _grouped(weighed: Posterior, asked: list[int]) -> tuple[FloatArray, FloatArray]:
    """Join the sets that agree in the causes asked about.

    Returns their weights, shape (groups,), and the share of every set in its group, shape (groups, sets).
    """
    _, group = np.unique(weighed.members[:, asked], axis=0, return_inverse=True)
    shares = np.zeros((int(group.max()) + 1, len(weighed.weight)))
    shares[group.reshape(-1), np.arange(len(weighed.weight))] = weighed.weight
    weight = shares.sum(axis=1)
    return weight, shares / np.where(weight > 0, weight, 1.0)[:, np.newaxis]


def _tells_apart(
    knowledge: Knowledge, weighed: Posterior, table: FloatArray, asked: list[int]
) -> tuple[str, ...]:
    """Titles of the causes asked about, at least 2 % probable, that the answers say most about."""
    shares = weighed.cause_probability
    told = []
    for index in asked:
        cause = knowledge.at_work[index]
        if not 0.02 <= shares[index] <= 0.9999:
            continue
        inside = weighed.weight * weighed.members[:, index]
        outside = weighed.weight - inside
        two = np.stack([inside @ table / inside.sum(), outside @ table / outside.sum()])
        both = np.array([shares[index], 1.0 - shares[index]])
        told.append((_information_bits(both, two), cause.title))
    told.sort(key=lambda pair: -pair[0])
    return tuple(title for bits, title in told[:4] if bits >= 0.1 * told[0][0])
