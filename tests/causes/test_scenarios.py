"""What a good mechanic would say: the written scenarios, made before any number was tuned."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from audiodiag.causes import (
    Circumstances,
    SuctionLine,
    infer_causes,
    load_knowledge,
    next_checks,
    suction_margin,
)
from audiodiag.records import SYMPTOMS

KNOWLEDGE = load_knowledge()
SCENARIOS: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "scenarios.toml").read_text(encoding="utf-8")
)["scenario"]


def known(scenario: dict[str, Any]) -> tuple[dict[str, float], Circumstances]:
    heard = scenario["heard"]
    sounds = {name: 0.9 if name in heard else 0.04 for name in SYMPTOMS}
    life = scenario.get("history", {})
    suction = scenario.get("suction")
    return sounds, Circumstances(
        age_years=life.get("age_years"),
        mileage_km=life.get("mileage_km"),
        renewed=tuple(life.get("renewed", ())),
        suction=suction_margin(SuctionLine(**suction)) if suction else None,
    )


def leading(scenario: dict[str, Any], count: int) -> list[str]:
    sounds, life = known(scenario)
    saw = {**scenario.get("told", {}), **scenario.get("found", {})}
    found = infer_causes(sounds, knowledge=KNOWLEDGE, observations=saw, circumstances=life)
    return [finding.name for finding in found[:count]]


def first_check(scenario: dict[str, Any]) -> str:
    sounds, life = known(scenario)
    told = scenario.get("told", {})
    return next_checks(sounds, knowledge=KNOWLEDGE, observations=told, circumstances=life)[0].name


def test_there_are_at_least_forty_and_they_name_what_there_is() -> None:
    assert len(SCENARIOS) >= 40
    assert len({scenario["story"] for scenario in SCENARIOS}) == len(SCENARIOS)
    assert sum(len(scenario["expected"]) == 2 for scenario in SCENARIOS) >= 3
    expected = {name for scenario in SCENARIOS for name in scenario["expected"]}
    assert expected == {cause.name for cause in KNOWLEDGE.causes}


@pytest.mark.parametrize("scenario", SCENARIOS, ids=[scenario["story"] for scenario in SCENARIOS])
def test_what_is_expected_is_among_the_first_two(scenario: dict[str, Any]) -> None:
    assert set(scenario["expected"]) <= set(leading(scenario, 2))


def test_the_leading_cause_is_right_in_nine_of_ten() -> None:
    wrong = [s["story"] for s in SCENARIOS if leading(s, 1)[0] not in s["expected"]]
    assert len(wrong) <= 0.1 * len(SCENARIOS), wrong


def test_the_first_check_is_a_good_mechanics_in_nine_of_ten() -> None:
    wrong = [s["story"] for s in SCENARIOS if first_check(s) not in s["first"]]
    assert len(wrong) <= 0.1 * len(SCENARIOS), wrong


@pytest.mark.parametrize(
    ("words", "cause"),
    [
        ("brown fluid with particles", "blocked_reservoir_filter"),
        ("heavier wheel, the pump strains", "collapsed_suction_hose"),
        ("after a wrong fluid", "restricted_return_or_cooler"),
        ("jerks at low engine speed after the system was drained", "air_in_the_rack"),
        ("a hiss only at the stop", "relief_valve_at_stop"),
        ("a squeal at load steps, the belt is glazed", "slipping_belt"),
    ],
)
def test_the_six_named_ones_lead(words: str, cause: str) -> None:
    scenario = next(s for s in SCENARIOS if words in s["story"])
    assert leading(scenario, 1) == [cause]
