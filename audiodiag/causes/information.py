"""How much an answer is expected to say about the causes, in bits.

The gain of questions is the mutual information between their answers and the set of causes at work: the
entropy of the answers less their mean entropy given the set (Cover and Thomas, Elements of Information
Theory, 2nd ed., section 2.3; cited from memory). Only causes count that could explain what was heard or
seen; where nothing was, all faults do.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.causes.knowledge import Knowledge
from audiodiag.causes.network import Posterior, answer_table
from audiodiag.records import FloatArray, read_only

__all__ = [
    "HEARD",
    "Groups",
    "able_causes",
    "asked_about",
    "bits",
    "grouped",
    "information_bits",
    "joint_table",
    "told_apart",
]

HEARD = 0.5
"""From this probability on a symptom counts as heard."""


def joint_table(knowledge: Knowledge, observations: Iterable[str], *, known_pump: bool) -> FloatArray:
    """Give the probability of every combination of answers for every set, shape (sets, combinations).

    The last observation's answers run fastest, each in the order of `Observation.answers`.
    """
    return _joint(knowledge, tuple(observations), known_pump)


@functools.lru_cache(maxsize=128)
def _joint(knowledge: Knowledge, observations: tuple[str, ...], known_pump: bool) -> FloatArray:
    joint = answer_table(knowledge, observations[0], known_pump=known_pump)
    for name in observations[1:]:
        table = answer_table(knowledge, name, known_pump=known_pump)
        joint = (joint[:, :, np.newaxis] * table[:, np.newaxis, :]).reshape(len(table), -1)
    return read_only(joint)


def bits(shares: FloatArray) -> FloatArray:
    """Give the entropy along the last axis, in bits."""
    safe = np.where(shares > 0, shares, 1.0)
    return np.asarray(-np.sum(shares * np.log2(safe), axis=-1))


def information_bits(weight: FloatArray, table: FloatArray) -> float:
    """Mutual information of states weighed by ``weight`` and answers given by ``table``, at least 0."""
    return max(0.0, float(bits(weight @ table) - weight @ bits(table)))


def able_causes(
    knowledge: Knowledge,
    heard: Mapping[str, float],
    seen: Mapping[str, str],
    prevalence: Mapping[str, float] | None,
) -> set[str]:
    """Name the causes that could explain what was heard or seen; none where nothing was.

    What is heard at least as probably as not counts; only where nothing is, what is likelier than usual.
    """
    usual = {symptom.name: symptom.prevalence for symptom in knowledge.symptoms} | dict(prevalence or {})
    loud = {name for name, probability in heard.items() if probability >= HEARD}
    if not loud:
        loud = {name for name, probability in heard.items() if probability > usual[name]}
    return {
        link.cause
        for link in knowledge.links
        if link.symptom in loud
        or (link.observation is not None and seen.get(link.observation) == link.answer)
    }


def asked_about(
    knowledge: Knowledge,
    heard: Mapping[str, float],
    seen: Mapping[str, str],
    prevalence: Mapping[str, float] | None,
) -> list[int]:
    """Give the columns of the causes that could explain what was heard or seen, or of all faults."""
    able = able_causes(knowledge, heard, seen, prevalence)
    return [
        index
        for index, cause in enumerate(knowledge.at_work)
        if (cause.name in able if able else cause.kind == "fault")
    ]


@dataclass(frozen=True, eq=False)
class Groups:
    """Sets of causes joined where they agree in the causes asked about.

    order: the sets with those of one group together, shape (sets,). starts: where each group begins there,
    shape (groups,). weight: of every set, in the given order, shape (sets,).
    """

    order: NDArray[np.intp]
    starts: NDArray[np.intp]
    weight: FloatArray

    def gain_bits(self, table: FloatArray) -> float:
        """Give the mutual information of group and answer; ``table`` has shape (sets, answers)."""
        joint = np.add.reduceat(self.weight[:, np.newaxis] * table[self.order], self.starts, axis=0)
        apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
        there = joint > 0
        return max(0.0, float(np.sum(joint[there] * np.log2(joint[there] / apart[there]))))


def grouped(weighed: Posterior, asked: list[int]) -> Groups:
    """Join the sets that agree in the causes asked about."""
    code = weighed.members[:, asked] @ (2.0 ** np.arange(len(asked)))
    order = np.argsort(code, kind="stable")
    fresh = np.diff(code[order], prepend=-1.0) != 0
    return Groups(order, np.flatnonzero(fresh), weighed.weight[order])


def told_apart(
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
        told.append((information_bits(both, two), cause.title))
    told.sort(key=lambda pair: -pair[0])
    return tuple(title for gain, title in told[:4] if gain >= 0.1 * told[0][0])
