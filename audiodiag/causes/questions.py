"""What to ask a person next: the question whose answer says most for the trouble of finding it.

What the driver knows by heart costs half a minute; everything else costs the cheapest check that answers it.
"""

from __future__ import annotations

from dataclasses import dataclass

from audiodiag.causes.checks import LEAST_BITS
from audiodiag.causes.information import grouped, joint_table
from audiodiag.causes.knowledge import Check, Knowledge, Observation
from audiodiag.causes.state import State

__all__ = ["Question", "next_questions"]

BY_HEART_MINUTES = 0.5


@dataclass(frozen=True)
class Question:
    """A question with what it is expected to say, and the check that finds the answer (None: by heart)."""

    observation: Observation
    gain_bits: float
    check: Check | None


def next_questions(state: State) -> tuple[Question, ...]:
    """Give the questions worth asking, the most telling for its trouble first; what was asked is left out.

    ``not_looked`` is an answer too: such a question is not asked again. Work and workshop are left to the
    checks: nobody is asked what a gauge would say before it is worth measuring.

    >>> from audiodiag.causes import load_knowledge
    >>> state = State.of({"belt_squeal": 0.9}, knowledge=load_knowledge())
    >>> next_questions(state)[0].observation.name
    'noise_onset'
    """
    groups = grouped(state.weighed, state.asked)
    ranked = []
    for observation in state.knowledge.observations:
        check = _cheapest(state.knowledge, observation.name)
        if observation.name in state.seen or (
            not observation.from_memory and (check is None or check.rank not in ("look", "touch"))
        ):
            continue
        table = joint_table(state.knowledge, [observation.name], known_pump=state.known_pump)
        gain_bits = groups.gain_bits(table)
        if gain_bits >= LEAST_BITS:
            by_heart = observation.from_memory or check is None
            price = (
                state.knowledge.prices.minute * BY_HEART_MINUTES if check is None or by_heart else check.price
            )
            ranked.append(
                (gain_bits / max(price, 1e-9), Question(observation, gain_bits, None if by_heart else check))
            )
    ranked.sort(key=lambda pair: -pair[0])
    return tuple(question for _, question in ranked)


def _cheapest(knowledge: Knowledge, observation: str) -> Check | None:
    able = [check for check in knowledge.checks if observation in check.settles]
    return min(able, key=lambda check: check.price, default=None)
