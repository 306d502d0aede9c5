"""The inference beside a general library's Bayesian network (pyagrum, for tests only)."""

import math

import numpy as np
import pytest

from audiodiag.causes import load_knowledge
from audiodiag.causes.network import answer_table, posterior, sets_of, symptom_table
from audiodiag.classifier.store import measured_confusion
from audiodiag.records import SYMPTOMS

pyagrum = pytest.importorskip("pyagrum", reason="pyagrum, the optional reference library, is not installed")
KNOWLEDGE = load_knowledge()
NAMES = [cause.name for cause in KNOWLEDGE.at_work]
LINKS = KNOWLEDGE.links

CASES = [
    ({"cavitation_groan": 0.9, "pump_whine": 0.6}, {"fluid_level": "right", "fluid_particles": "debris"}),
    ({"belt_squeal": 0.99, "relief_hiss": 0.3}, {"belt_look": "glazed_or_oily", "noise_onset": "load_steps"}),
    (
        dict.fromkeys(SYMPTOMS, 0.1),
        {"wheel_effort": "jerks_at_low_speed", "recent_work": "opened_or_drained"},
    ),
    (
        {"bearing_growl": 0.5},
        {"fresh_leak": "at_the_pump", "pulley_play": "at_the_pump", "fluid_level": "low"},
    ),
]


def ratio(name: str, probability: float) -> float:
    measured = measured_confusion()[name]
    odds = probability / (1 - probability) * 0.75 / 0.25
    low = (1 - measured.recall) / (1 - measured.false_alarms)
    return min(max(odds, low), measured.recall / measured.false_alarms)


def noisy_or(active: set[str], thing: str, answer: str | None, leak: float) -> float:
    fails = [
        1 - link.strength
        for link in LINKS
        if link.cause in active and thing in (link.symptom, link.observation) and link.answer == answer
    ]
    return 1 - (1 - leak) * math.prod(fails)


def answers_given(active: set[str], name: str) -> list[float]:
    seen = KNOWLEDGE.observation(name)
    acts = [noisy_or(active, name, other.name, other.leak) for other in seen.others]
    normal = math.prod(1 - act for act in acts)
    return [normal, *((1 - normal) * act / sum(acts) for act in acts)]


def reference(
    states: list[set[str]], prior: np.ndarray, heard: dict[str, float], saw: dict[str, str]
) -> np.ndarray:
    """Posterior of a root with one label for each state, by the library's exact inference."""
    net = pyagrum.BayesNet()
    root = net.add(pyagrum.LabelizedVariable("root", "", len(states)))
    net.cpt(root)[:] = prior / prior.sum()
    evidence: dict[str, list[float]] = {}
    for name, probability in heard.items():
        node = net.add(pyagrum.LabelizedVariable(name, "", 2))
        net.addArc(root, node)
        leak = KNOWLEDGE.symptom(name).leak
        there = [noisy_or(active, name, None, leak) for active in states]
        net.cpt(node)[:] = np.array([[1 - p, p] for p in there])
        odds = ratio(name, probability)
        evidence[name] = [1 / max(1, odds), odds / max(1, odds)]
    for name, answer in saw.items():
        seen = KNOWLEDGE.observation(name)
        node = net.add(pyagrum.LabelizedVariable(name, "", len(seen.answers)))
        net.addArc(root, node)
        net.cpt(node)[:] = np.array([answers_given(active, name) for active in states])
        evidence[name] = [float(option.name == answer) for option in seen.answers]
    engine = pyagrum.LazyPropagation(net)
    engine.setEvidence(evidence)
    engine.makeInference()
    return np.array(engine.posterior("root").tolist())


@pytest.mark.parametrize(("heard", "saw"), CASES)
def test_the_single_cause_case_equals_the_library(heard: dict[str, float], saw: dict[str, str]) -> None:
    """Sets of at most one cause, against one root variable that is one of the causes or none."""
    weighed = posterior(heard, saw, knowledge=KNOWLEDGE)
    single = np.flatnonzero(weighed.members.sum(axis=1) <= 1)
    states = [{name for name, on in zip(NAMES, weighed.members[row], strict=True) if on} for row in single]
    odds = {cause.name: cause.odds for cause in KNOWLEDGE.at_work}
    prior = np.array([math.prod(odds[name] for name in active) for active in states])
    ours = weighed.weight[single] / weighed.weight[single].sum()
    assert len(states) == len(NAMES) + 1
    assert ours == pytest.approx(reference(states, prior, heard, saw), abs=1e-9)


def test_all_sets_of_two_faults_equal_the_library() -> None:
    heard, saw = CASES[0]
    members = sets_of(KNOWLEDGE)
    states = [{name for name, on in zip(NAMES, row, strict=True) if on} for row in members]
    odds = {cause.name: cause.odds for cause in KNOWLEDGE.at_work}
    prior = np.array([math.prod(odds[name] for name in active) for active in states])
    ours = posterior(heard, saw, knowledge=KNOWLEDGE).weight
    assert ours == pytest.approx(reference(states, prior, heard, saw), abs=1e-9)


def test_the_tables_are_the_noisy_or_of_the_files() -> None:
    members = sets_of(KNOWLEDGE)
    for row in (0, 7, 100, len(members) - 1):
        active = {name for name, on in zip(NAMES, members[row], strict=True) if on}
        for name in SYMPTOMS:
            expected = noisy_or(active, name, None, KNOWLEDGE.symptom(name).leak)
            assert symptom_table(KNOWLEDGE, name, known_pump=False)[row] == pytest.approx(expected, abs=1e-12)
        for seen in KNOWLEDGE.observations:
            table = answer_table(KNOWLEDGE, seen.name, known_pump=False)[row]
            assert table == pytest.approx(answers_given(active, seen.name), abs=1e-12)
