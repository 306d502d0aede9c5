"""When to stop looking: the checks that still pay, and the remedy that is then the rational step.

Remedies are thought of as done one after the other, in the order of what they cure for their price, until
every fault at work is cured: the expected cost of repair. A check pays where it lowers that cost by more than
its own price (decision-theoretic troubleshooting: Heckerman, Breese and Rommelse, Communications of the ACM
38(3), 1995; cited from memory; here without their assumption of a single fault).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from audiodiag.causes.checks import advice_of, ranked_checks
from audiodiag.causes.information import joint_table
from audiodiag.causes.knowledge import Check, Knowledge, Remedy
from audiodiag.causes.network import sets_of
from audiodiag.causes.state import State
from audiodiag.records import CheckAdvice, FloatArray
from audiodiag.units import percent

__all__ = ["MOST_STEPS", "Plan", "plan_of", "repair_cost", "value_of"]

MOST_STEPS = 4
"""A plan looks at most so many checks ahead."""

LIKELY_ENOUGH = 0.5
"""A remedy is named from so much of the share of the likeliest one on, however little it costs."""

TINY = 1e-12


@dataclass(frozen=True)
class Plan:
    """Checks that pay, one after the other if each finds what is likeliest, and what to do then.

    ``cure_probability``: that the remedy is the right one once the checks have found what is likeliest.
    """

    checks: tuple[CheckAdvice, ...]
    remedy: Remedy
    cure_probability: float

    def text(self) -> str:
        """Say the stop rule in a sentence.

        >>> from audiodiag.causes import load_knowledge
        >>> known = load_knowledge()
        >>> Plan((), known.remedy_of("worn_pump"), 0.75).text()
        'No further check pays: renewing the pump is the rational step (75 % that it is the right one).'
        """
        idle = self.remedy.rank == "look"
        stays = "; if what is heard or felt stays, have a licensed technician look" if idle else ""
        number = {1: "this one", 2: "these two", 3: "these three"}.get(len(self.checks), "these four")
        names = ", then ".join(f'"{_short(check.title)}"' for check in self.checks)
        lead = (
            f"After {number} ({names}), unless one points elsewhere," if names else "No further check pays:"
        )
        return (
            f"{lead} {self.remedy.title} is the rational step "
            f"({percent(self.cure_probability)} that it is the right one{stays})."
        )


def _short(title: str) -> str:
    """Give what is to be done, without what to look for and how.

    >>> _short("Look at the belt and press on it: glazed, oily, frayed, slack; engine off")
    'Look at the belt and press on it'
    """
    return re.split(r"[:;(]", title, maxsplit=1)[0].strip()


def plan_of(state: State) -> Plan:
    """Walk along the checks that pay, each finding what is likeliest, and name the remedy at the end."""
    done: list[CheckAdvice] = []
    while len(done) < MOST_STEPS:
        paying = next((pair for pair in ranked_checks(state) if value_of(pair[0], state) > 0.0), None)
        if paying is None:
            break
        check, gain_bits = paying
        done.append(advice_of(check, gain_bits, state))
        for name in check.settles:
            if name not in state.told:
                table = joint_table(state.knowledge, [name], known_pump=state.known_pump)
                likeliest = int((state.weighed.weight @ table).argmax())
                state = state.answered(name, state.knowledge.observation(name).answers[likeliest].name)
    shares = state.weighed.weight @ _cured(state.knowledge)
    best = _worth_doing(shares, state.knowledge)
    return Plan(tuple(done), state.knowledge.remedies[best], min(1.0, float(shares[best])))


def _worth_doing(shares: FloatArray, knowledge: Knowledge) -> int:
    """Give the remedy with the most share of cures for its price, of those that are likely enough.

    shares: that each remedy is a right one, shape (remedies,). What costs next to nothing would else always
    come first: the idle one counts only where no other is likelier, any other from half of the likeliest on.
    """
    idle = np.array([remedy.rank == "look" for remedy in knowledge.remedies])
    most = float(shares[~idle].max(initial=0.0))
    likely = np.where(idle, shares >= most, shares >= LIKELY_ENOUGH * max(most, TINY))
    return int(np.where(likely, shares / _prices(knowledge), -1.0).argmax())


def value_of(check: Check, state: State) -> float:
    """Give by how much a check is expected to lower the cost of repair, less its price; in the currency."""
    names = [name for name in check.settles if name not in state.told]
    if not names:
        return -check.price
    table = joint_table(state.knowledge, names, known_pump=state.known_pump)
    weights = state.weighed.weight[np.newaxis, :] * table.T
    now = float(repair_cost(state.weighed.weight[np.newaxis, :], state.knowledge)[0])
    return now - float(repair_cost(weights, state.knowledge).sum()) - check.price


def repair_cost(weights: FloatArray, knowledge: Knowledge) -> FloatArray:
    """Give the expected cost of repair for each row of weights, times the row's sum.

    weights: shape (n, sets), not necessarily summing to 1. Returns shape (n,), in the currency.
    """
    cures, prices = _cured(knowledge), _prices(knowledge)
    order = np.argsort(-(weights @ cures) / prices, axis=1, kind="stable")
    paid = np.take_along_axis(np.broadcast_to(prices, order.shape), order, axis=1).cumsum(axis=1)
    place = np.argsort(order, axis=1)
    until = np.take_along_axis(paid, place, axis=1)  # what has been paid once each remedy is done
    return np.array([row @ (cures * spent).max(axis=1) for row, spent in zip(weights, until, strict=True)])


def _cured(knowledge: Knowledge) -> FloatArray:
    """Which remedies each set of causes needs, shape (sets, remedies); without a fault the idle one."""
    members = sets_of(knowledge)
    names = [cause.name for cause in knowledge.at_work]
    faults = [index for index, cause in enumerate(knowledge.at_work) if cause.kind == "fault"]
    none = ~members[:, faults].any(axis=1)
    needs = np.zeros((len(members), len(knowledge.remedies)))
    for column, remedy in enumerate(knowledge.remedies):
        cured = [index for index in faults if names[index] in remedy.cures]
        needs[:, column] = members[:, cured].any(axis=1)
        if knowledge.nothing.name in remedy.cures:
            needs[:, column] = np.maximum(needs[:, column], none)
    return needs


def _prices(knowledge: Knowledge) -> FloatArray:
    return np.array([max(remedy.price, 1e-6) for remedy in knowledge.remedies])
