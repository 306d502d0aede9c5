"""Causes from sounds and observations: exactness, properties, and what a good mechanic would say."""

import functools
import itertools
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import audiodiag.causes
from audiodiag.causes import NOT_LOOKED, infer_causes, load_knowledge, next_checks
from audiodiag.causes.advice import state_text
from audiodiag.causes.network import answer_table, posterior
from audiodiag.causes.state import State
from audiodiag.classifier.store import measured_confusion
from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS, CauseFinding
from audiodiag.vehicle import Vehicle

KNOWLEDGE = load_knowledge()
DATA = Path(audiodiag.causes.__file__).parent / "data"
PROBABILITIES = st.dictionaries(st.sampled_from(SYMPTOMS), st.floats(0, 1))
OBSERVATIONS = st.fixed_dictionaries(
    {},
    optional={
        seen.name: st.sampled_from([*(answer.name for answer in seen.answers), NOT_LOOKED])
        for seen in KNOWLEDGE.observations
    },
)


def table(findings: tuple[CauseFinding, ...]) -> dict[str, float]:
    return {finding.name: finding.probability for finding in findings}


def heard(*names: str, probability: float = 0.9, others: float = 0.04) -> dict[str, float]:
    return {name: probability if name in names else others for name in SYMPTOMS}


def lead(names: tuple[str, ...], observations: dict[str, str] | None = None, **more: Any) -> str:
    return infer_causes(heard(*names), knowledge=KNOWLEDGE, observations=observations, **more)[0].name


# Exactness -------------------------------------------------------------------------------


@functools.cache
def records(name: str) -> list[dict[str, Any]]:
    content = tomllib.loads((DATA / f"{name}s.toml").read_text(encoding="utf-8"))[name]
    assert isinstance(content, list)
    return content


def failure(links: list[dict[str, Any]], active: tuple[str, ...], leak: float) -> float:
    share = 1.0 - leak
    for link in links:
        if link["cause"] in active:
            share *= 1.0 - link["strength"]
    return share


def odds_for(name: str, probability: float) -> float:
    """Evidence of a probability against a prevalence of a quarter, within the measured confusion."""
    measured = measured_confusion()[name]
    low = (1 - measured.recall) / (1 - measured.false_alarms)
    high = measured.recall / measured.false_alarms
    if probability >= 1:
        return high
    return min(max(probability * 0.75 / ((1 - probability) * 0.25), low), high)


def brute_force(probabilities: dict[str, float], observations: dict[str, str]) -> dict[str, float]:
    """Sum over every set of causes and every combination of sounds truly there, straight from the files."""
    causes = {cause["name"]: cause for cause in records("cause")}
    faults = [name for name, cause in causes.items() if cause["kind"] == "fault"]
    leaks = {symptom["name"]: symptom["leak"] for symptom in records("symptom")}
    links = records("link")
    totals = dict.fromkeys(causes, 0.0)
    whole = 0.0
    sounds = {name: [link for link in links if link.get("symptom") == name] for name in probabilities}
    pairs = [(), *((one,) for one in faults), *itertools.combinations(faults, 2)]
    duties = (
        (),
        ("relief_valve_at_stop",),
        ("cold_thick_fluid",),
        ("relief_valve_at_stop", "cold_thick_fluid"),
    )
    for pair, duty in itertools.product(pairs, duties):
        active = (*pair, *duty)
        weight = math.prod(causes[name]["odds"] for name in active)
        present = {name: 1 - failure(sounds[name], active, leaks[name]) for name in probabilities}
        likelihood = 0.0
        for truth in itertools.product((False, True), repeat=len(probabilities)):
            term = 1.0
            for (name, probability), there in zip(probabilities.items(), truth, strict=True):
                term *= (odds_for(name, probability) if there else 1) * (
                    present[name] if there else 1 - present[name]
                )
            likelihood += term
        for seen in records("observation"):
            answer = observations.get(seen["name"], NOT_LOOKED)
            if answer == NOT_LOOKED:
                continue
            acts = {}
            for option in seen["answers"]:
                if option["name"] != seen["normal"]:
                    ways = [
                        link
                        for link in links
                        if link.get("observation") == seen["name"] and link["answer"] == option["name"]
                    ]
                    acts[option["name"]] = 1 - failure(ways, active, option["leak"])
            normal = math.prod(1 - act for act in acts.values())
            likelihood *= (
                normal if answer == seen["normal"] else (1 - normal) * acts[answer] / sum(acts.values())
            )
        weight *= likelihood
        whole += weight
        for name in active or ("nothing_wrong",):
            totals[name] += weight
    return {name: total / whole for name, total in totals.items()}


@pytest.mark.parametrize(
    ("probabilities", "observations"),
    [
        ({}, {}),
        ({"cavitation_groan": 0.9, "pump_whine": 0.7, "belt_squeal": 0.1}, {"fluid_level": "low"}),
        ({"relief_hiss": 1.0, "belt_chirp": 0.0}, {"noise_off_the_stop": "ends", "belt_look": "frayed"}),
        (
            heard("bearing_growl", "belt_squeal"),
            {"pulley_play": "elsewhere", "wheel_effort": "jerks_at_low_speed", "fluid_type": NOT_LOOKED},
        ),
        (
            {"pump_whine": 0.6},
            {"recent_work": "ran_dry", "fluid_particles": "debris", "pump_pressure": "weak"},
        ),
    ],
)
def test_the_inference_equals_brute_force(
    probabilities: dict[str, float], observations: dict[str, str]
) -> None:
    found = table(infer_causes(probabilities, knowledge=KNOWLEDGE, observations=observations))
    expected = brute_force(probabilities, observations)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(probabilities=PROBABILITIES, observations=OBSERVATIONS)
def test_probabilities_are_probabilities_and_add_up_as_documented(
    probabilities: dict[str, float], observations: dict[str, str]
) -> None:
    findings = infer_causes(probabilities, knowledge=KNOWLEDGE, observations=observations)
    weighed = posterior(
        probabilities,
        {name: answer for name, answer in observations.items() if answer != NOT_LOOKED},
        knowledge=KNOWLEDGE,
    )
    assert len(findings) == len(KNOWLEDGE.causes)
    assert all(0.0 <= finding.probability <= 1.0 for finding in findings)
    assert all(finding.because for finding in findings)
    shares = [finding.probability for finding in findings[1:]]
    assert shares == sorted(shares, reverse=True)
    size = weighed.members.sum(axis=1)
    more = sum((count - 1) * weighed.weight[size == count].sum() for count in (2, 3, 4))
    assert sum(table(findings).values()) == pytest.approx(1 + more, abs=1e-9)
    assert size.max() == 4


@settings(max_examples=30, deadline=None)
@given(probabilities=PROBABILITIES, observations=OBSERVATIONS)
def test_a_fault_likelier_than_none_leads_and_no_normal_noise_before_it(
    probabilities: dict[str, float], observations: dict[str, str]
) -> None:
    findings = infer_causes(probabilities, knowledge=KNOWLEDGE, observations=observations)
    share = table(findings)
    faults = {cause.name: share[cause.name] for cause in KNOWLEDGE.at_work if cause.kind == "fault"}
    likeliest = max(faults, key=faults.__getitem__)
    weighed = posterior(
        probabilities,
        {name: answer for name, answer in observations.items() if answer != NOT_LOOKED},
        knowledge=KNOWLEDGE,
    )
    columns = [index for index, cause in enumerate(KNOWLEDGE.at_work) if cause.kind == "fault"]
    none = weighed.weight[~weighed.members[:, columns].any(axis=1)].sum()
    if faults[likeliest] > none + 1e-9:
        assert findings[0].name == likeliest
    elif faults[likeliest] < none - 1e-9:
        assert findings[0].probability == max(share.values())


@settings(max_examples=20, deadline=None)
@given(probabilities=PROBABILITIES, observations=OBSERVATIONS)
def test_not_looked_and_the_order_of_facts_say_nothing(
    probabilities: dict[str, float], observations: dict[str, str]
) -> None:
    plain = {name: answer for name, answer in observations.items() if answer != NOT_LOOKED}
    turned = dict(reversed(plain.items()))
    one = table(infer_causes(probabilities, knowledge=KNOWLEDGE, observations=observations))
    two = table(infer_causes(dict(reversed(probabilities.items())), knowledge=KNOWLEDGE, observations=turned))
    assert one == pytest.approx(two, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(probabilities=PROBABILITIES, name=st.sampled_from([seen.name for seen in KNOWLEDGE.observations]))
def test_what_an_answer_is_expected_to_say_is_what_is_believed_now(
    probabilities: dict[str, float], name: str
) -> None:
    """The mean of the later probabilities over all answers is the present one (law of total probability)."""
    now = posterior(probabilities, {}, knowledge=KNOWLEDGE)
    shares = now.weight @ answer_table(KNOWLEDGE, name, known_pump=False)
    assert shares.sum() == pytest.approx(1, abs=1e-12)
    mean = sum(
        share * posterior(probabilities, {name: answer.name}, knowledge=KNOWLEDGE).cause_probability
        for share, answer in zip(shares, KNOWLEDGE.observation(name).answers, strict=True)
    )
    assert mean == pytest.approx(now.cause_probability, abs=1e-9)


def test_a_probability_at_its_prevalence_says_nothing() -> None:
    prior = table(infer_causes({}, knowledge=KNOWLEDGE))
    same = table(infer_causes(dict.fromkeys(SYMPTOMS, 0.25), knowledge=KNOWLEDGE))
    assert same == pytest.approx(prior)
    moved = table(infer_causes({"belt_squeal": 0.6}, knowledge=KNOWLEDGE, prevalence={"belt_squeal": 0.6}))
    assert moved == pytest.approx(prior)
    assert table(infer_causes({"belt_squeal": math.nan}, knowledge=KNOWLEDGE)) == pytest.approx(prior)


# What a good mechanic would say ----------------------------------------------------------

SUCTION = {
    "low_or_foaming_fluid",
    "blocked_reservoir_filter",
    "collapsed_suction_hose",
    "air_leak_at_suction",
    "air_in_the_rack",
    "tired_fluid_or_wrong_fluid",
}


@pytest.mark.parametrize(
    ("symptom", "leading", "group", "first_check"),
    [
        (None, {"nothing_wrong"}, {"nothing_wrong"}, "look_at_fluid"),
        (
            "pump_whine",
            {"nothing_wrong", "worn_pump", "low_or_foaming_fluid", "tired_fluid_or_wrong_fluid"},
            {
                "worn_pump",
                "tired_fluid_or_wrong_fluid",
                "low_or_foaming_fluid",
                "restricted_return_or_cooler",
            },
            "look_at_fluid",
        ),
        ("cavitation_groan", {"low_or_foaming_fluid"}, SUCTION, "look_at_fluid"),
        ("belt_squeal", {"slipping_belt"}, {"slipping_belt", "worn_tensioner"}, "look_at_belt"),
        (
            "belt_chirp",
            {"misaligned_or_worn_belt"},
            {"misaligned_or_worn_belt", "worn_tensioner"},
            "straightedge",
        ),
        ("relief_hiss", {"relief_valve_at_stop"}, {"relief_valve_at_stop"}, "come_off_the_stop"),
        ("bearing_growl", {"pump_bearing"}, {"pump_bearing", "other_belt_driven_part"}, "pulley_play"),
    ],
)
@pytest.mark.parametrize("probability", [0.75, 0.9, 0.99])
def test_each_symptom_alone_leads_to_its_group_and_first_check(
    symptom: str | None, leading: set[str], group: set[str], first_check: str, probability: float
) -> None:
    sounds = heard(*([symptom] if symptom else []), probability=probability)
    findings = infer_causes(sounds, knowledge=KNOWLEDGE)
    assert findings[0].name in leading
    found = table(findings)
    assert sum(found[name] for name in group) > 0.4
    assert next_checks(sounds, knowledge=KNOWLEDGE)[0].name == first_check


def test_a_groan_alone_names_no_cause() -> None:
    """Sound alone rarely names the cause: the groan is shared by the suction side."""
    found = table(infer_causes(heard("cavitation_groan", probability=0.99), knowledge=KNOWLEDGE))
    assert max(found.values()) < 0.6
    assert sum(found[name] > 0.05 for name in SUCTION) >= 5


def test_a_hiss_only_at_the_stop_points_to_no_fault() -> None:
    found = table(infer_causes(heard("relief_hiss", probability=0.97), knowledge=KNOWLEDGE))
    faults = [cause.name for cause in KNOWLEDGE.causes if cause.kind == "fault"]
    assert all(found[name] < 0.1 for name in faults)
    assert found["relief_valve_at_stop"] + found["nothing_wrong"] > 0.8


SCENARIOS: list[tuple[str, tuple[str, ...], dict[str, str], str]] = [
    ("groan, level low, leak", ("cavitation_groan",), {"fluid_level": "low", "fresh_leak": "seen"},
     "low_or_foaming_fluid"),
    ("groan and whine, low and foaming", ("cavitation_groan", "pump_whine"),
     {"fluid_level": "low", "fluid_bubbles": "foam"}, "low_or_foaming_fluid"),
    ("groan, level right, brown with debris", ("cavitation_groan",),
     {"fluid_level": "right", "fluid_bubbles": "none", "fluid_particles": "debris"},
     "blocked_reservoir_filter"),
    ("groan gone after new reservoir", ("cavitation_groan",),
     {"fluid_level": "right", "fluid_bubbles": "none", "fluid_type": "listed", "noise_and_warmth": "same",
      "after_new_fluid": "quieter"}, "blocked_reservoir_filter"),
    ("groan, hose flattens", ("cavitation_groan",),
     {"fluid_level": "right", "fluid_bubbles": "none", "suction_hose": "flattens"}, "collapsed_suction_hose"),
    ("groan and heavy wheel, hose soft", ("cavitation_groan", "pump_whine"),
     {"fluid_level": "right", "wheel_effort": "heavy_always", "suction_hose": "soft_or_old",
      "fluid_colour": "clear"}, "collapsed_suction_hose"),
    ("foam at the right level, joint wet", ("cavitation_groan",),
     {"fluid_level": "right", "fluid_bubbles": "foam", "suction_joints": "loose_or_wet"},
     "air_leak_at_suction"),
    ("groan after the rack was changed, jerks", ("cavitation_groan",),
     {"recent_work": "opened_or_drained", "wheel_effort": "jerks_at_low_speed", "fluid_level": "right"},
     "air_in_the_rack"),
    ("bleeding helped", ("cavitation_groan",),
     {"recent_work": "opened_or_drained", "after_bleeding": "quieter"}, "air_in_the_rack"),
    ("whine only when cold, brown fluid", ("pump_whine",),
     {"fluid_level": "right", "fluid_colour": "brown", "noise_and_warmth": "only_cold"},
     "tired_fluid_or_wrong_fluid"),
    ("whine, unknown filling", ("pump_whine",),
     {"fluid_level": "right", "fluid_bubbles": "none", "fluid_type": "other_or_unknown",
      "noise_and_warmth": "only_cold"}, "tired_fluid_or_wrong_fluid"),
    ("whine at rest, heavy and hot", ("pump_whine",),
     {"wheel_effort": "heavy_always", "noise_with_wheel_at_rest": "same", "fluid_level": "right"},
     "restricted_return_or_cooler"),
    ("whine, dented return", ("pump_whine",), {"return_line": "narrow", "fluid_level": "right"},
     "restricted_return_or_cooler"),
    ("whine, all else in order, weak when hot", ("pump_whine",),
     {"fluid_level": "right", "fluid_bubbles": "none", "fluid_colour": "clear", "fluid_type": "listed",
      "wheel_effort": "heavy_when_hot"}, "worn_pump"),
    ("whine, gauge says weak", ("pump_whine",), {"pump_pressure": "weak", "fluid_level": "right"},
     "worn_pump"),
    ("whine, line touches", ("pump_whine",),
     {"line_contact": "touches", "loudest_place": "hose_or_body", "fluid_level": "right"},
     "hose_touching_body"),
    ("growl, play at the pump", ("bearing_growl",), {"pulley_play": "at_the_pump"}, "pump_bearing"),
    ("growl, play at the idler", ("bearing_growl",),
     {"pulley_play": "elsewhere", "noise_with_wheel_at_rest": "same"}, "other_belt_driven_part"),
    ("growl, oil at the pump's shaft", ("bearing_growl",),
     {"fresh_leak": "seen", "loudest_place": "pump_or_its_belt"}, "pump_bearing"),
    ("squeal, slack belt", ("belt_squeal",), {"belt_tension": "slack"}, "slipping_belt"),
    ("squeal at the stop, glazed", ("belt_squeal",),
     {"belt_look": "glazed_or_oily", "noise_off_the_stop": "ends"}, "slipping_belt"),
    ("squeal, tensioner swings, slack", ("belt_squeal", "belt_chirp"),
     {"tensioner_arm": "swings", "belt_look": "sound", "pulley_play": "elsewhere"}, "worn_tensioner"),
    ("chirp, pulley out of line", ("belt_chirp",), {"pulleys_in_line": "out_of_line"},
     "misaligned_or_worn_belt"),
    ("chirp, frayed", ("belt_chirp",), {"belt_look": "frayed"}, "misaligned_or_worn_belt"),
    ("chirp at another part", ("belt_chirp",),
     {"loudest_place": "other_part", "pulleys_in_line": "in_line", "belt_look": "sound",
      "noise_with_wheel_at_rest": "same"}, "other_belt_driven_part"),
    ("hiss that ends off the stop", ("relief_hiss",), {"noise_off_the_stop": "ends"}, "relief_valve_at_stop"),
    ("hiss that goes on, at the gear", ("relief_hiss",),
     {"noise_off_the_stop": "goes_on", "loudest_place": "steering_gear"}, "worn_steering_gear"),
    ("quiet car, all in order", (), {"fluid_level": "right", "fluid_bubbles": "none", "belt_look": "sound"},
     "nothing_wrong"),
    ("quiet car, level low and leaking", (), {"fluid_level": "low", "fresh_leak": "seen"},
     "low_or_foaming_fluid"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("story", "names", "observations", "expected"), SCENARIOS, ids=[s[0] for s in SCENARIOS]
)
def test_written_scenarios(
    story: str, names: tuple[str, ...], observations: dict[str, str], expected: str
) -> None:
    assert lead(names, observations) == expected


def test_two_faults_at_once_are_both_named() -> None:
    found = table(
        infer_causes(
            heard("cavitation_groan", "belt_squeal"),
            knowledge=KNOWLEDGE,
            observations={"fluid_level": "low", "fresh_leak": "seen", "belt_look": "glazed_or_oily"},
        )
    )
    assert found["low_or_foaming_fluid"] > 0.6
    assert found["slipping_belt"] > 0.6
    assert found["nothing_wrong"] < 0.01


def test_a_hiss_at_the_stop_takes_nothing_from_a_real_fault() -> None:
    without = table(infer_causes(heard("belt_squeal"), knowledge=KNOWLEDGE))["slipping_belt"]
    with_hiss = table(infer_causes(heard("belt_squeal", "relief_hiss"), knowledge=KNOWLEDGE))["slipping_belt"]
    assert with_hiss == pytest.approx(without, abs=0.05)


def test_a_known_pump_order_takes_the_whine_from_other_parts() -> None:
    unknown = table(infer_causes(heard("pump_whine"), knowledge=KNOWLEDGE))
    car = Vehicle(pump_ratio=1.2, vanes=10)
    known = infer_causes(heard("pump_whine"), knowledge=KNOWLEDGE, vehicle=car)
    assert table(known)["other_belt_driven_part"] < unknown["other_belt_driven_part"] - 0.01
    text = " ".join(known[0].because)
    assert "not proved to be the pump's" not in text
    open_car = infer_causes(heard("pump_whine"), knowledge=KNOWLEDGE, vehicle=Vehicle(vanes=10))
    assert "not proved to be the pump's" in " ".join(open_car[0].because)


# Reasons ---------------------------------------------------------------------------------


def because(name: str, probabilities: dict[str, float], observations: dict[str, str] | None = None) -> str:
    findings = infer_causes(probabilities, knowledge=KNOWLEDGE, observations=observations)
    return " ".join(next(finding for finding in findings if finding.name == name).because)


def test_reasons_name_the_sound_its_probability_and_the_limits() -> None:
    said = because("low_or_foaming_fluid", heard("cavitation_groan"), {"fluid_level": "low"})
    assert "A groan of collapsing bubbles is heard (probability 90 %): air bubbles" in said
    assert "Seen or felt: the fluid stands too low; lost fluid shows at the mark." in said
    assert "Against it: no pump whine is heard (probability 4 %)." in said
    assert "only the reservoir, the hose and the bubbles say which" in said


def test_what_the_clip_itself_answers_is_worded_as_heard_and_weighs_the_same() -> None:
    sounds, seen = heard("bearing_growl"), {"noise_with_wheel_at_rest": "same"}
    looked = infer_causes(sounds, knowledge=KNOWLEDGE, observations=seen)
    by_ear = infer_causes(sounds, knowledge=KNOWLEDGE, observations=seen, by_ear=seen)
    assert table(by_ear) == table(looked)
    for found, words, other in (
        (looked, "Seen or felt: the noise is the same", "Heard in the clip"),
        (by_ear, "Heard in the clip: the noise is the same", "Seen or felt"),
    ):
        said = " ".join(reason for finding in found for reason in finding.because)
        assert words in said and other not in said


def test_an_answer_of_a_person_is_no_longer_the_clips_own() -> None:
    name = "noise_with_wheel_at_rest"
    state = State.of({}, knowledge=KNOWLEDGE, observations={name: "same"}, by_ear=[name])
    assert "heard in the clip: the noise is the same" in state_text(state, width=200)
    asked = state.answered(name, "same")
    assert "seen or felt: the noise is the same" in state_text(asked, width=200)


def test_a_reason_never_claims_certainty() -> None:
    sure, none = {**heard("belt_squeal"), "belt_squeal": 1.0}, heard("belt_squeal", others=0.0)
    assert "A squeal is heard (probability > 99 %): " in because("slipping_belt", sure)
    said = " ".join(reason for found in infer_causes(none, knowledge=KNOWLEDGE) for reason in found.because)
    assert "is heard (probability < 1 %)." in said and "probability 0" not in said


def test_reasons_against_and_unjudged_symptoms_are_said() -> None:
    said = because("low_or_foaming_fluid", {"cavitation_groan": 0.9}, {"fluid_level": "right"})
    assert "Against it: the fluid stands between the marks." in said
    assert "Whether there is a pump whine could not be judged in this recording." in said
    assert because("worn_pump", {"relief_hiss": 0.3}).startswith("Nothing heard or seen speaks for it")


def test_the_relief_valve_says_that_it_is_no_fault() -> None:
    said = because("relief_valve_at_stop", heard("relief_hiss"))
    assert "This is no fault: nothing to repair; do not hold the wheel at the stop." in said
    assert "ends when the wheel comes off the stop" in said


def test_what_asks_for_no_repair_is_told_only_where_its_sound_may_be_there() -> None:
    def told(hiss: dict[str, float], **saw: str) -> dict[str, float]:
        sounds = {**heard("cavitation_groan", "pump_whine"), **hiss}
        return table(infer_causes(sounds, knowledge=KNOWLEDGE, observations=saw, every=False))

    valve = "relief_valve_at_stop"
    quiet = {"relief_hiss": 0.21}
    assert valve not in told(quiet)
    assert valve not in told({"relief_hiss": 0.49})
    assert valve not in told(quiet, noise_off_the_stop=NOT_LOOKED)
    assert valve in told({"relief_hiss": 0.5})
    assert valve in told({"relief_hiss": math.nan})
    assert valve in told(quiet, noise_off_the_stop="ends")
    every = table(infer_causes({**heard("cavitation_groan", "pump_whine"), **quiet}, knowledge=KNOWLEDGE))
    assert told(quiet) == {name: share for name, share in every.items() if name != valve}


def test_nothing_wrong_says_what_is_nearest_or_what_speaks_against_it() -> None:
    quiet = heard()
    quiet["belt_chirp"] = 0.21
    assert "No symptom is probable; the nearest is belt chirp (probability 21 %)." in because(
        "nothing_wrong", quiet
    )
    loud = because("nothing_wrong", {"belt_squeal": 0.9}, {"belt_tension": "slack"})
    assert "Against it: a squeal is heard (probability 90 %)." in loud
    assert "Against it: the belt is slack." in loud
    assert "Not every symptom could be judged" in loud


# Refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("probabilities", "observations", "words"),
    [
        ({"pump_wine": 0.5}, {}, ["the symptom is not known", "got pump_wine", "did you mean pump_whine?"]),
        ({"pump_whine": 1.5}, {}, ["probability of pump_whine", "got 1.5", "0 to 1"]),
        ({"pump_whine": -0.1}, {}, ["got -0.1"]),
        ({}, {"fluid_lvl": "low"}, ["the observation is not known", "did you mean fluid_level?"]),
        ({}, {"fluid_level": "empty"}, ["the answer to fluid_level", "right, low, too_high, not_looked"]),
    ],
)
def test_unknown_names_are_refused(
    probabilities: dict[str, float], observations: dict[str, str], words: list[str]
) -> None:
    for ask in (infer_causes, next_checks):
        with pytest.raises(UsageError) as caught:
            ask(probabilities, knowledge=KNOWLEDGE, observations=observations)
        for word in words:
            assert word in str(caught.value)
