"""Next checks and cautions: information, price, order, safety."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiodiag.causes import (
    NOT_LOOKED,
    cautions_for,
    load_knowledge,
    next_checks,
    observations_from_text,
    observations_heard,
)
from audiodiag.causes.checks import TIER
from audiodiag.causes.network import answer_table, posterior
from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS, Phases, PhaseSpan, SymptomFinding

KNOWLEDGE = load_knowledge()


def heard(*names: str, probability: float = 0.9) -> dict[str, float]:
    return {name: probability if name in names else 0.04 for name in SYMPTOMS}


def names(probabilities: dict[str, float], observations: dict[str, str] | None = None) -> list[str]:
    advised = next_checks(probabilities, knowledge=KNOWLEDGE, observations=observations, most=99)
    return [advice.name for advice in advised]


def entropy_bits(weight: np.ndarray) -> float:
    return float(-sum(share * math.log2(share) for share in weight if share > 0))


def fault_entropy_bits(weight: np.ndarray) -> float:
    """Entropy of which faults are at work, the parts that only do their duty left aside."""
    members = posterior({}, {}, knowledge=KNOWLEDGE).members
    faults = [index for index, cause in enumerate(KNOWLEDGE.at_work) if cause.kind == "fault"]
    shares: dict[tuple[float, ...], float] = {}
    for row, share in zip(members[:, faults], weight, strict=True):
        shares[tuple(row)] = shares.get(tuple(row), 0.0) + float(share)
    return entropy_bits(np.array(list(shares.values())))


def test_the_gain_is_the_expected_fall_of_the_entropy_of_the_faults() -> None:
    """With nothing heard all faults are asked about: gain is H(faults) less mean H(faults | answer)."""
    sounds = heard()
    now = posterior(sounds, {}, knowledge=KNOWLEDGE)
    later = 0.0
    shares = now.weight @ answer_table(KNOWLEDGE, "noise_with_wheel_at_rest", known_pump=False)
    for share, answer in zip(shares, KNOWLEDGE.observation("noise_with_wheel_at_rest").answers, strict=True):
        then = posterior(sounds, {"noise_with_wheel_at_rest": answer.name}, knowledge=KNOWLEDGE)
        later += share * fault_entropy_bits(then.weight)
    advised = next_checks(sounds, knowledge=KNOWLEDGE, most=99)
    found = next(advice for advice in advised if advice.name == "listen_at_rest")
    assert found.gain_bits == pytest.approx(fault_entropy_bits(now.weight) - later, abs=1e-9)


def test_the_gain_of_a_check_with_two_questions_counts_both() -> None:
    sounds = heard()
    now = posterior(sounds, {}, knowledge=KNOWLEDGE)
    first, second = KNOWLEDGE.observation("belt_look"), KNOWLEDGE.observation("belt_tension")
    one = answer_table(KNOWLEDGE, "belt_look", known_pump=False)
    two = answer_table(KNOWLEDGE, "belt_tension", known_pump=False)
    later = 0.0
    for i, look in enumerate(first.answers):
        for j, tension in enumerate(second.answers):
            share = float(now.weight @ (one[:, i] * two[:, j]))
            both = {"belt_look": look.name, "belt_tension": tension.name}
            later += share * fault_entropy_bits(posterior(sounds, both, knowledge=KNOWLEDGE).weight)
    found = next(a for a in next_checks(sounds, knowledge=KNOWLEDGE, most=99) if a.name == "look_at_belt")
    assert found.gain_bits == pytest.approx(fault_entropy_bits(now.weight) - later, abs=1e-9)


def test_no_check_names_a_cause_that_nobody_is_told_of() -> None:
    """A relief valve explains a hiss alone; with none, checks of others leave it out."""
    valve = KNOWLEDGE.cause("relief_valve_at_stop").title

    def named(hiss: float) -> list[tuple[str, ...]]:
        sounds = {"cavitation_groan": 0.8, "relief_hiss": hiss}
        return [check.tells_apart for check in next_checks(sounds, knowledge=KNOWLEDGE, most=99)]

    assert any(valve in titles and len(titles) > 1 for titles in named(0.6))
    assert not any(valve in titles and len(titles) > 1 for titles in named(0.2))


@settings(max_examples=12, deadline=None)
@given(probabilities=st.dictionaries(st.sampled_from(SYMPTOMS), st.floats(0, 1)))
def test_gains_are_bounded_and_the_order_is_as_documented(probabilities: dict[str, float]) -> None:
    advised = next_checks(probabilities, knowledge=KNOWLEDGE, most=99)
    keys = []
    for advice in advised:
        check = KNOWLEDGE.check(advice.name)
        room = math.prod(len(KNOWLEDGE.observation(name).answers) for name in check.settles)
        assert 0.02 <= advice.gain_bits <= math.log2(room)
        assert advice.tells_apart
        assert set(advice.tells_apart) <= {cause.title for cause in KNOWLEDGE.at_work}
        keys.append((TIER[check.rank], -advice.gain_bits / check.price))
    assert keys == sorted(keys)


def test_the_pump_comes_last_for_a_whine_and_the_fluid_first() -> None:
    order = names(heard("pump_whine"))
    assert order[0] == "look_at_fluid"
    assert order[-1] == "measure_the_pump"
    assert order.index("free_the_return") > order.index("squeeze_the_suction_hose")


def test_looking_comes_before_work_and_work_before_the_workshop() -> None:
    for symptom in SYMPTOMS:
        tiers = [TIER[KNOWLEDGE.check(name).rank] for name in names(heard(symptom))]
        assert tiers == sorted(tiers)


@pytest.mark.parametrize("sounds", [heard(), heard("relief_hiss")])
def test_nothing_is_opened_while_no_fault_is_probable(sounds: dict[str, float]) -> None:
    assert all(KNOWLEDGE.check(name).rank in {"look", "touch"} for name in names(sounds))


def test_what_was_answered_is_not_asked_again() -> None:
    seen = {
        "fluid_level": "right",
        "fluid_bubbles": "none",
        "fluid_colour": "clear",
        "fluid_smell": "none",
        "fluid_particles": "clean",
    }
    before = next_checks(heard("cavitation_groan"), knowledge=KNOWLEDGE, most=99)
    assert before[0].name == "look_at_fluid"
    assert "look_at_fluid" not in names(heard("cavitation_groan"), seen)
    assert names(heard("cavitation_groan"), seen)[0] == "feel_the_wheel"
    not_looked = dict.fromkeys(seen, NOT_LOOKED)
    assert names(heard("cavitation_groan"), not_looked)[0] == "look_at_fluid"
    partly = next_checks(
        heard("cavitation_groan"), knowledge=KNOWLEDGE, observations={"fluid_level": "right"}
    )
    assert next(a for a in partly if a.name == "look_at_fluid").gain_bits < before[0].gain_bits


def test_the_fluid_look_tells_the_suction_causes_apart() -> None:
    first = next_checks(heard("cavitation_groan"), knowledge=KNOWLEDGE)[0]
    assert KNOWLEDGE.cause("low_or_foaming_fluid").title in first.tells_apart
    assert len(first.tells_apart) >= 3
    assert (first.minutes, first.cost_low, first.cost_high, first.currency) == (5, 0, 0, "EUR")


def test_most_limits_the_list_and_time_has_its_price() -> None:
    assert len(next_checks(heard("pump_whine"), knowledge=KNOWLEDGE, most=3)) == 3
    assert KNOWLEDGE.check("bleed").price == 10 + 20 + 0.5 * 30


# Cautions --------------------------------------------------------------------------------


def cautions(symptoms: list[str], checks: list[str], observations: dict[str, str] | None = None) -> str:
    return " ".join(cautions_for(symptoms, checks, knowledge=KNOWLEDGE, observations=observations))


def test_some_cautions_stand_in_every_report() -> None:
    said = cautions([], [])
    for words in (
        "away from belts, fan and pulleys",
        "outdoors",
        "chock the wheels",
        "more than five seconds",
        "licensed technician come before this tool, and local rules come before both",
    ):
        assert words in said
    for words in ("60 bar", "stands", "do not drive"):
        assert words not in said


@pytest.mark.parametrize(
    ("symptoms", "checks", "observations", "words"),
    [
        (["cavitation_groan"], [], {}, "hot and can be under more than 60 bar"),
        ([], ["squeeze_the_suction_hose"], {}, "can be under more than 60 bar"),
        ([], ["bleed"], {}, "on stands with the engine running is work for two"),
        ([], ["look_at_belt"], {}, "Switch the engine off"),
        (["belt_squeal"], [], {}, "do not drive the car"),
        ([], [], {"fresh_leak": "seen"}, "do not drive the car"),
        ([], [], {"wheel_effort": "jerks_at_low_speed"}, "do not drive the car"),
        ([], ["renew_fluid_and_reservoir"], {}, "Use only the fluid of the maker's list"),
    ],
)
def test_cautions_come_where_they_fit(
    symptoms: list[str], checks: list[str], observations: dict[str, str], words: str
) -> None:
    assert words in cautions(symptoms, checks, observations)


def test_every_invasive_or_running_check_carries_a_caution_of_its_own() -> None:
    for check in KNOWLEDGE.checks:
        if check.rank != "look":
            assert check.cautions, check.name
        if check.rank in {"work", "workshop"}:
            assert "stands" in check.cautions, check.name


def test_advice_itself_is_taken_as_a_check_and_each_caution_stands_once() -> None:
    advised = next_checks(heard("cavitation_groan"), knowledge=KNOWLEDGE)
    said = cautions_for(["cavitation_groan"], advised, knowledge=KNOWLEDGE)
    assert len(said) == len(set(said))
    assert any("Switch the engine off" in text for text in said)


# Observations ----------------------------------------------------------------------------


def test_observations_are_read_from_text() -> None:
    read = observations_from_text(["fluid_level = low", "belt_look=not_looked,fresh_leak=seen"], KNOWLEDGE)
    assert read == {"fluid_level": "low", "belt_look": "not_looked", "fresh_leak": "seen"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("fluid_level", ["the observation cannot be read", "got fluid_level", "name=answer"]),
        ("fluid_level=low,fluid_level=right", ["fluid_level has two answers"]),
        ("fluid_level=lo", ["answer to fluid_level is not known", "did you mean low?"]),
        ("fluids=low", ["the observation is not known"]),
    ],
)
def test_text_that_is_no_observation_is_refused(text: str, words: list[str]) -> None:
    with pytest.raises(UsageError) as caught:
        observations_from_text([text], KNOWLEDGE)
    for word in words:
        assert word in str(caught.value)


PHASES = Phases(
    "marked",
    (PhaseSpan("centre", 0, 4), PhaseSpan("turning", 4, 8), PhaseSpan("stop", 8, 10)),
    confidence=0.95,
)


def sound(name: str, *spans_s: tuple[float, float], probability: float = 0.9) -> SymptomFinding:
    return SymptomFinding(name, probability, None, spans_s, ())


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (
            sound("bearing_growl", (0, 10)),
            {"noise_with_wheel_at_rest": "same", "noise_off_the_stop": "goes_on"},
        ),
        (
            sound("pump_whine", (4, 10)),
            {"noise_with_wheel_at_rest": "quieter", "noise_off_the_stop": "goes_on"},
        ),
        (
            sound("belt_squeal", (8, 10)),
            {"noise_with_wheel_at_rest": "quieter", "noise_off_the_stop": "ends"},
        ),
        (sound("belt_squeal", (8, 8.4)), {}),
        (sound("pump_whine", (0, 10), probability=0.4), {}),
        (sound("relief_hiss", (8, 10)), {}),
    ],
)
def test_the_clip_answers_what_its_phases_show(found: SymptomFinding, expected: dict[str, str]) -> None:
    assert observations_heard([found], PHASES) == expected


def test_unsure_or_short_phases_answer_nothing() -> None:
    growl = sound("bearing_growl", (0, 10))
    assert observations_heard([growl], Phases("inferred", PHASES.spans, confidence=0.5)) == {}
    short = Phases("marked", (PhaseSpan("centre", 0, 0.5), PhaseSpan("turning", 0.5, 10)), confidence=0.95)
    assert observations_heard([growl], short) == {}
