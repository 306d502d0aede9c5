"""Cases drawn from the network: stated probabilities hold, and the program's order is the cheaper one.

A sample of what ``python -m tests.causes.drawn`` runs on 5,000 cases.
"""

import numpy as np
import pytest

from audiodiag.causes import load_knowledge
from audiodiag.causes.state import State
from audiodiag.records import FloatArray
from tests.causes.drawn import Walker, draw_cases, in_file_order, stated_and_true

KNOWLEDGE = load_knowledge()


def tenths_that_are_off(said: FloatArray, true: FloatArray) -> list[float]:
    """Tenths of the stated probabilities whose share of true ones lies over four standard errors away."""
    off = []
    for low in np.arange(0.0, 1.0, 0.1):
        inside = (said >= low) & (said < low + 0.1)
        error = np.sqrt((said[inside] * (1 - said[inside])).sum()) / inside.sum()
        if abs(said[inside].mean() - true[inside].mean()) > 4 * error:
            off.append(float(low))
    return off


def test_stated_probabilities_hold_on_5000_cases() -> None:
    """Stated 65 to 75 % is right in 65 to 75 %; so is every other tenth, within four standard errors."""
    cases = draw_cases(KNOWLEDGE, 5000, seed=5)
    said, true = stated_and_true(KNOWLEDGE, cases, looked=0.4, seed=6)
    near = (said >= 0.65) & (said < 0.75)
    assert near.sum() > 500
    assert 0.65 <= true[near].mean() <= 0.75
    assert tenths_that_are_off(said, true) == []


def test_calibration_would_see_a_wrong_network() -> None:
    """The same cases with probabilities sharpened by a square are far off: the test above can fail."""
    cases = draw_cases(KNOWLEDGE, 1500, seed=5)
    said, true = stated_and_true(KNOWLEDGE, cases, looked=0.4, seed=6)
    sharp = said**2 / (said**2 + (1 - said) ** 2)
    assert tenths_that_are_off(said, true) == []
    assert len(tenths_that_are_off(sharp, true)) >= 4


def test_the_programs_order_is_cheaper_than_a_fixed_list() -> None:
    cases = draw_cases(KNOWLEDGE, 300, seed=5)
    walker = Walker(KNOWLEDGE)
    ours = [walker.walk(case, walker.advised) for case in cases]
    fixed = [walker.walk(case, in_file_order) for case in cases]
    cost, fixed_cost = (sum(run.cost for run in runs) for runs in (ours, fixed))
    sure, fixed_sure = (sum(run.certain for run in runs) for runs in (ours, fixed))
    assert cost <= 0.65 * fixed_cost
    assert sum(run.checks for run in ours) <= 0.75 * sum(run.checks for run in fixed)
    assert sure >= fixed_sure - 0.12 * len(cases)
    assert cost / sure <= 0.65 * fixed_cost / fixed_sure


def test_the_walker_agrees_with_the_shipped_state() -> None:
    walker = Walker(KNOWLEDGE)
    for case in draw_cases(KNOWLEDGE, 5, seed=8):
        told = dict(list(case.answers.items())[:6])
        state = State.of(case.heard, knowledge=KNOWLEDGE, observations=told)
        weight = walker.start(case)
        for seen, answer in told.items():
            weight = weight * walker.column(seen, answer)
        best, sure = walker.certainty(weight / weight.sum())
        name = KNOWLEDGE.nothing.name if best < 0 else KNOWLEDGE.at_work[best].name
        assert state.certainty[0] == name
        assert state.certainty[1] == pytest.approx(sure, abs=1e-9)
