"""Where the low sound and the envelopes tell of different speeds, both courses are looked at."""

from __future__ import annotations

import numpy as np
from engines import RATE

from audiodiag.records import FloatArray
from audiodiag.speed.acoustic import Candidate, candidate_tracks, choose
from audiodiag.speed.chooser import Chooser, ChooserNet
from audiodiag.speed.comb import CombWeights, load_comb_weights, speed_prior
from audiodiag.speed.front import basebands, front_end
from audiodiag.speed.hypotheses import (
    FACTORS,
    HYPOTHESIS_FEATURES,
    Hypothesis,
    _courses,
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
    assert HYPOTHESIS_FEATURES[-9:-7] == ("against", "against_more")


def test_courses_of_one_usual_speed_do_not_add_up_to_one_reading() -> None:
    """Two courses at 800 rpm, one of which is raised for a while, with the nets sure of neither."""
    time_s, steady = np.arange(100) * 0.1, np.full(100, 800.0)
    raised = np.where(np.arange(100) < 30, 1600.0, 800.0)
    tracks = tuple(RefinedTrack(time_s, rpm, np.full(100, 0.5)) for rpm in (steady, raised))
    features = np.full((3, len(HYPOTHESIS_FEATURES)), np.nan)
    features[0, 0], features[1, 0], features[2, 0] = 1.0, 0.9, -9.0
    direct = np.zeros(len(HYPOTHESIS_FEATURES))
    direct[0] = 1.0
    size = len(HYPOTHESIS_FEATURES)
    net = ChooserNet(np.zeros((size, 1)), np.zeros(1), np.zeros(1), direct)
    chooser = Chooser(np.zeros(size), np.ones(size), (net,), np.array([0.0, 1.0]))
    guesses = (Hypothesis(1.0, 4, 0), Hypothesis(1.0, 4, 1))
    found = choose(
        Candidate(tracks, guesses, features, (np.ones(100), np.ones(100))),
        CombWeights({}, speed_prior(), chooser),
    )
    assert found.hypothesis.track == 0
    assert 0.5 < found.probability < 0.55
