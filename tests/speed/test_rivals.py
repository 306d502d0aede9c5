"""Where the low sound and the envelopes tell of different speeds, both courses are looked at."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from engines import RATE, clip_of

from audiodiag.records import FloatArray, Quality, SpeedAlternative, SpeedTrace
from audiodiag.report.language import load_sentences
from audiodiag.report.speedform import reasons
from audiodiag.speed.acoustic import (
    SECOND_LOOK_RPM,
    Candidate,
    _and_its_parts,
    _one_course,
    _only,
    _straightened,
    _trace,
    candidate_tracks,
    choose,
)
from audiodiag.speed.chooser import Chooser, ChooserNet
from audiodiag.speed.chosen import BY_CHANCE, confirmed
from audiodiag.speed.comb import RPM_GRID, CombWeights, comb_scores, load_comb_weights, speed_prior
from audiodiag.speed.front import basebands, front_end
from audiodiag.speed.hypotheses import (
    FACTORS,
    HYPOTHESIS_FEATURES,
    Hypothesis,
    _courses,
    describe,
    hypotheses,
    is_multiple,
)
from audiodiag.speed.refine import RefinedTrack

SECONDS = 8.0


def wandering(rpm: float, share: float, seed: int) -> FloatArray:
    """A speed at every sample that wanders slowly around one, rpm."""
    time = np.arange(int(SECONDS * RATE)) / RATE
    beats = np.random.default_rng(seed).uniform(0.1, 0.4, 3)
    return rpm * (1.0 + share * sum(np.sin(2 * np.pi * f * time) for f in beats) / 3)


def comb(rpm: FloatArray, order: float, count: int, seed: int) -> FloatArray:
    """Tones at multiples of an order of a speed."""
    turns = np.cumsum(rpm / 60.0) / RATE
    phases = np.random.default_rng(seed).random(count)
    return sum(np.cos(2 * np.pi * (k * order * turns + p)) / k for k, p in enumerate(phases, 1))


def courses(sound: FloatArray, cylinders: int) -> list[FloatArray]:
    bands = basebands(sound.astype(np.float32), RATE)
    front = front_end(bands, SECONDS)
    found = candidate_tracks(bands, front, load_comb_weights(), cylinders=(cylinders,))
    assert len(found.tracks) == len(found.sharpness)
    return [track.rpm for track in found.tracks]


def test_a_pump_that_is_louder_than_the_firings_leaves_them_a_course_of_their_own() -> None:
    """The low tones come 3.7 times a turn of the crank; what is higher beats with the firings."""
    rpm = wandering(760.0, 0.03, 1)
    rng = np.random.default_rng(2)
    beats = np.maximum(1.0 + comb(rpm, 2.0, 4, 3), 0.0)
    high = np.diff(rng.standard_normal(len(rpm)), prepend=0.0) * beats
    sound = comb(rpm, 3.7, 6, 4) + 0.3 * high + 0.02 * rng.standard_normal(len(rpm))
    true = rpm[:: RATE // 10]
    found = courses(sound, 4)
    usual = [float(np.median(course)) for course in found]
    assert any(abs(each / np.median(true) - 1.0) < 0.02 for each in usual), usual
    assert any(
        abs(each * factor / (np.median(true) * 3.7 / 2.0) - 1.0) < 0.02
        for each in usual
        for factor in FACTORS
    ), usual


def test_where_all_tell_of_one_speed_there_is_one_course() -> None:
    rpm = wandering(760.0, 0.02, 5)
    rng = np.random.default_rng(6)
    beats = np.maximum(1.0 + comb(rpm, 2.0, 4, 7), 0.0)
    sound = comb(rpm, 2.0, 8, 8) + comb(rpm, 0.5, 20, 9) * 0.3 + 0.3 * rng.standard_normal(len(rpm)) * beats
    assert len(courses(sound, 4)) == 1


def test_beside_a_high_course_a_lower_one_is_sought(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By all of the sound, below what would still be high; the straightening may not leave that range."""
    rpm = wandering(3300.0, 0.01, 16)
    sound = comb(rpm, 2.0, 6, 17) + 0.3 * comb(rpm, 0.5, 20, 18)
    sound += 0.3 * np.random.default_rng(19).standard_normal(len(rpm))
    limits: list[FloatArray] = []

    def noted(*args: Any) -> tuple[FloatArray, FloatArray]:
        limits.append(args[4])
        return _straightened(*args)

    monkeypatch.setattr("audiodiag.speed.acoustic._straightened", noted)
    high, low, *_ = (float(np.median(course)) for course in courses(sound, 4))
    assert high == pytest.approx(3300.0, rel=0.02)
    assert low < SECOND_LOOK_RPM
    outside = RPM_GRID > SECOND_LOOK_RPM
    assert np.all(limits[1][outside] < limits[0][outside] - 50.0)
    assert np.array_equal(limits[1][~outside], limits[0][~outside])


def test_courses_that_differ_for_a_part_of_the_time_are_two_readings() -> None:
    steady = np.full(100, 800.0)
    raised = np.where(np.arange(100) < 30, 1600.0, 800.0)
    assert not is_multiple(raised, [steady])
    assert is_multiple(np.where(np.arange(100) < 5, 1600.0, 800.0), [steady])
    guesses = hypotheses((steady, raised, 1.005 * raised), (4,))
    assert {guess.track for guess in guesses} == {0, 1}
    assert sum(guess.track == 0 for guess in guesses) == sum(guess.track == 1 for guess in guesses)


def test_beats_that_are_no_engine_s_leave_the_low_tones_a_course_of_their_own() -> None:
    """The other way round: firings in the low tones, and above them noise that beats 3.7 times a turn."""
    rpm = wandering(760.0, 0.03, 11)
    rng = np.random.default_rng(12)
    beats = np.maximum(1.0 + comb(rpm, 3.7, 4, 13), 0.0)
    high = np.diff(rng.standard_normal(len(rpm)), prepend=0.0) * beats
    low = 0.2 * (comb(rpm, 2.0, 6, 14) + 0.3 * comb(rpm, 0.5, 12, 15))
    found = [float(np.median(course)) for course in courses(low + 3.0 * high, 4)]
    true = float(np.median(rpm))
    assert any(abs(each / true - 1.0) < 0.02 for each in found), found
    assert any(abs(each * factor / (true * 1.85) - 1.0) < 0.02 for each in found for factor in FACTORS), found


def test_each_course_is_set_beside_the_others() -> None:
    guesses = [Hypothesis(1.0, 4, 0), Hypothesis(2.0, 4, 0), Hypothesis(1.0, 4, 1)]
    table = np.zeros((3, len(HYPOTHESIS_FEATURES)))
    table[2, HYPOTHESIS_FEATURES.index("low_lines")] = 1.5
    beside = _courses(table, guesses, [20.0, 90.0], 1)
    assert beside[:, 0].tolist() == [2.0, 2.0, 6.0]
    assert beside[:, 1].tolist() == [0.0, 0.0, 4.0]
    assert beside[:, 2].tolist() == [1.0, 1.0, 1.0] and not beside[:, 3].any()
    assert beside[:, 5].tolist() == [-1.5, -1.5, 0.0]
    for name, place in (("roughness", 7), ("log_sd", 8)):
        rough = np.zeros((3, len(HYPOTHESIS_FEATURES)))
        rough[0, HYPOTHESIS_FEATURES.index(name)] = rough[1, HYPOTHESIS_FEATURES.index(name)] = 2.0
        assert _courses(rough, guesses, [0.0, 0.0], 0)[:, place].tolist() == [2.0, 2.0, 0.0]
    assert HYPOTHESIS_FEATURES[-9:-7] == ("against", "against_more")


TIME_S, STEADY = np.arange(100) * 0.1, np.full(100, 800.0)


def weighed(scores: list[float], *courses: FloatArray) -> tuple[Candidate, CombWeights]:
    """Courses that are each a reading of four cylinders, with given scores, the last for none of them."""
    tracks = tuple(RefinedTrack(TIME_S, rpm, np.full(100, 0.5)) for rpm in courses)
    size = len(HYPOTHESIS_FEATURES)
    features, direct = np.full((len(scores), size), np.nan), np.zeros(size)
    features[:, 0], direct[0] = scores, 1.0
    net = ChooserNet(np.zeros((size, 1)), np.zeros(1), np.zeros(1), direct)
    chooser = Chooser(np.zeros(size), np.ones(size), (net,), np.array([0.0, 1.0]))
    guesses = tuple(Hypothesis(1.0, 4, place) for place in range(len(courses)))
    sharpness = tuple(np.ones(100) for _ in courses)
    return Candidate(tracks, guesses, features, sharpness), CombWeights({}, speed_prior(), chooser)


def test_courses_of_one_usual_speed_do_not_add_up_to_one_reading() -> None:
    """Two courses at 800 rpm, one of which is raised for a while, with the nets sure of neither."""
    raised = np.where(np.arange(100) < 30, 1600.0, 800.0)
    found = choose(*weighed([1.0, 0.9, -5.0], STEADY, raised))
    assert found.hypothesis.track == 0
    assert 0.5 < found.probability < 0.55
    assert 0.44 < found.other_course < 0.5


def test_courses_that_lock_on_each_other_add_up_to_one_reading() -> None:
    """The other one strays for less than a tenth of the time: it would be called locked on the first."""
    strays = np.where(np.arange(100) < 9, 1600.0, 1.01 * 800.0)
    candidate, weights = weighed([1.0, 0.9, -5.0], STEADY, strays)
    assert _one_course(candidate).all()
    found = choose(candidate, weights)
    assert found.hypothesis.track == 0
    assert found.probability > 0.98
    assert found.other_course == 0.0


def test_half_the_speed_is_no_other_course() -> None:
    """Readings of one course at other multiples are alternatives; those of another one are not told twice."""
    raised = np.where(np.arange(100) < 30, 1600.0, 800.0)
    candidate, weights = weighed([1.0, 0.4, 0.3, 0.2, -5.0], STEADY, raised)
    guesses = (Hypothesis(1.0, 4, 0), Hypothesis(1.0, 4, 1), Hypothesis(0.5, 4, 0), Hypothesis(1.0, 6, 1))
    candidate = replace(candidate, hypotheses=guesses)
    assert _one_course(candidate)[0, 1:3].tolist() == [False, True]
    found = choose(candidate, weights)
    shares = np.exp([1.0, 0.4, 0.3, 0.2]) / np.exp([1.0, 0.4, 0.3, 0.2, -5.0]).sum()
    assert found.probability == pytest.approx(shares[0])
    assert found.other_course == pytest.approx(shares[1] + shares[3])
    assert [(each.factor, each.probability) for each in found.alternatives] == [
        (0.5, pytest.approx(shares[2]))
    ]


def test_courses_at_two_multiples_of_two_tracks_can_be_one() -> None:
    candidate = weighed([0.0, 0.0, 0.0], STEADY, 0.5 * STEADY)[0]
    guesses = (Hypothesis(1.0, 4, 0), Hypothesis(2.0, 4, 1), Hypothesis(1.0, 4, 1))
    one = _one_course(replace(candidate, hypotheses=guesses))
    assert one.tolist() == [[True, True, False], [True, True, True], [False, True, True]]


def test_what_is_followed_is_what_counts_where_two_courses_lock_on_a_third() -> None:
    here = np.arange(100)
    second, third = np.where(here < 9, 1600.0, 800.0), np.where(here >= 91, 1600.0, 800.0)
    found = choose(*weighed(np.log([0.2, 0.45, 0.34, 0.01]).tolist(), STEADY, second, third))
    assert found.hypothesis.track == 1
    assert found.probability == pytest.approx(0.65)
    assert found.other_course == pytest.approx(0.34)


def test_whether_two_courses_are_one_does_not_depend_on_which_is_asked() -> None:
    for factor in (1.0489, 1.0511):
        near = np.where(np.arange(100) < 20, factor * 800.0, 800.0)
        one = _one_course(weighed([0.0, 0.0, 0.0], STEADY, near)[0])
        assert one[0, 1] == one[1, 0] == (factor < 1.05)


def told_of(probability: float) -> SpeedTrace:
    candidate, weights = weighed([0.0, 0.0, 0.0], STEADY, STEADY)
    choice = replace(choose(candidate, weights), other_course=probability, confidence=0.6)
    front = front_end(basebands(np.random.default_rng(1).standard_normal(10 * RATE), RATE), 10.0)
    return _trace(front, np.ones(100), choice, candidate.tracks[0], 0.6, 4)


def test_a_course_that_is_open_is_told_of() -> None:
    (note,) = [note for note in told_of(0.3).notes if note.code == "speed_course_open"]
    assert "(30 %)" in note.text and note.severity == "warning"
    assert "(5 %)" in told_of(0.051).notes[0].text and not told_of(0.049).notes
    assert load_sentences("de").tell(note.text).text == (
        "In einem Teil der Aufnahme dreht der Motor vielleicht anders, als hier verfolgt wird (30 %)."
    )


def test_a_stated_number_says_nothing_of_another_course_at_that_number() -> None:
    """0.6 for the course, 0.3 for the other of 800 rpm, 0.1 for speeds that lie there by chance only."""
    heard = told_of(0.3)
    stated = confirmed(heard, 800.0)
    assert stated is not None
    whole = 0.6 + 0.3 + BY_CHANCE * 0.1
    assert stated.confidence == pytest.approx(0.6 / whole)
    assert stated.other_course == pytest.approx(0.3 / whole)
    assert any(note.code == "speed_course_open" and "(33 %)" in note.text for note in stated.notes)
    at_half = replace(heard, confidence=0.1, alternatives=(SpeedAlternative(0.5, 4, 0.8),))
    half = confirmed(at_half, 400.0)
    assert half is not None and half.other_course == 0.0
    assert [note.code for note in half.notes] == ["speed_confirmed"]


def test_where_a_course_is_open_no_other_speed_is_not_said() -> None:
    quality = Quality(True, (), (20.0, 8000.0))
    clip = clip_of(np.zeros(10 * RATE, np.float32))
    none = "No other speed"
    said = {p: " ".join(reasons(clip, quality, told_of(p))) for p in (0.0, 0.03, 0.3)}
    assert none in said[0.0] and none not in said[0.03] and none not in said[0.3]
    assert "(30 %)" in said[0.3]


def test_the_envelopes_are_what_the_low_sound_leaves() -> None:
    rng = np.random.default_rng(21)
    front = front_end(basebands(rng.standard_normal(3 * RATE), RATE), 3.0)
    weights = load_comb_weights()
    whole, low, envelope = (
        comb_scores(front, each, (6,))[6]
        for each in (weights, _only(weights, "low"), _only(weights, "envelope"))
    )
    np.testing.assert_allclose(_and_its_parts(whole, low), [whole, low, envelope], atol=2e-3)
    assert np.ptp(envelope) > 1.0


def test_a_rival_that_is_drawn_to_a_course_once_refined_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the parts tell of, the refinement ends at one speed: one course is left."""
    rpm = wandering(760.0, 0.03, 1)
    rng = np.random.default_rng(2)
    high = np.diff(rng.standard_normal(len(rpm)), prepend=0.0) * np.maximum(1.0 + comb(rpm, 2.0, 4, 3), 0.0)
    sound = comb(rpm, 3.7, 6, 4) + 0.3 * high + 0.02 * rng.standard_normal(len(rpm))

    def at_one_speed(signals: object, time_s: FloatArray, rough: FloatArray) -> RefinedTrack:
        return RefinedTrack(time_s, np.full(len(time_s), 760.0), np.ones(len(time_s)))

    counted: list[int] = []

    def described(*args: Any, rivals: int, **more: Any) -> FloatArray:
        counted.append(rivals)
        return describe(*args, rivals=rivals, **more)

    monkeypatch.setattr("audiodiag.speed.acoustic.describe", described)
    assert len(courses(sound, 4)) == 1 + counted[0] > 1
    monkeypatch.setattr("audiodiag.speed.acoustic.refine", at_one_speed)
    assert len(courses(sound, 4)) == 1
    assert counted[1] == 0
