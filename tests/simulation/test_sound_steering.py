"""The sounds of a steering that works: heard while the wheel turns, in all bays, and never a symptom."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.simulation import BaySettings, simulate
from audiodiag.simulation.afresh.bay import make_scene as make_afresh
from audiodiag.simulation.apart.bay import make_scene as make_apart
from audiodiag.simulation.apart.course import make_course
from audiodiag.simulation.apart.yard import make_sound

STEERED: tuple[tuple[str, float, float], ...] = (
    ("centre", 0.0, 2.0),
    ("turning", 2.0, 4.0),
    ("stop", 4.0, 6.0),
    ("turning", 6.0, 7.0),
    ("centre", 7.0, 10.0),
)
RATE = 32000
SETTINGS = BaySettings(duration_s=10.0, phases=STEERED, symptoms=(), codec="wav", disturbances=())


def power(sound: np.ndarray, rate: int, start_s: float, end_s: float) -> float:
    return float(np.mean(np.square(sound[round(start_s * rate) : round(end_s * rate)], dtype=np.float64)))


def turned(sound: np.ndarray, rate: int) -> tuple[float, float, float]:
    """Power while the wheel turns, while it is held at the stop, and at rest."""
    turning = power(sound, rate, 2.4, 3.8) + power(sound, rate, 6.3, 6.9)
    return turning, 2 * power(sound, rate, 4.8, 5.8), 2 * power(sound, rate, 8.0, 10.0)


@pytest.mark.parametrize("name", ["gear_flow", "tyre_twist", "bush_squeak"])
def test_in_the_bay_apart_they_sound_while_the_wheel_turns(name: str) -> None:
    course = make_course(np.random.default_rng(2), "idle", 780.0, STEERED, RATE * 10, RATE)
    heard = np.mean(
        [turned(make_sound(name, np.random.default_rng(seed), course, 4), RATE) for seed in range(12)], axis=0
    )
    assert heard[0] > 4 * heard[1]
    assert heard[0] > 4 * heard[2]


@pytest.mark.parametrize("name", ["valve_rush", "joint_squeak"])
def test_in_the_first_bay_they_sound_while_the_wheel_turns(name: str) -> None:
    heard = []
    for seed in range(6):
        with_it, without = (
            simulate(seed, settings=replace(SETTINGS, accessories=kept), keep_parts=True)
            for kept in ((name,), ())
        )
        assert with_it.parts is not None
        assert without.parts is not None
        alone = with_it.parts["engine"] - without.parts["engine"]
        heard.append(turned(alone, with_it.truth["parts_rate_hz"]))
        assert with_it.truth["symptoms"] == []
    turning, stop, rest = np.mean(heard, axis=0)
    assert turning > 1.5 * stop
    assert turning > 4 * rest


def test_a_wheel_at_rest_squeaks_nowhere() -> None:
    still = make_course(np.random.default_rng(2), "idle", 780.0, (("centre", 0.0, 6.0),), RATE * 6, RATE)
    assert not make_sound("bush_squeak", np.random.default_rng(1), still, 4).any()


def test_a_sound_that_is_silent_is_not_told_to_be_there() -> None:
    still = (("centre", 0.0, 4.0),)
    apart = make_apart(1, duration_s=4.0, steering=still, disturbances=("bush_squeak", "gear_flow"))
    afresh = make_afresh(6, duration_s=4.0, steering=still, disturbances=("rubber", "flow"))
    assert apart.truth["disturbances"] == ["gear_flow"]
    assert afresh.truth["disturbances"] == ["flow"]


def test_they_are_in_some_clips_of_each_bay() -> None:
    apart = [make_apart(seed, duration_s=3.0).truth for seed in range(60)]
    afresh = [make_afresh(seed, duration_s=3.0).truth for seed in range(80)]
    for name in ("gear_flow", "tyre_twist", "bush_squeak"):
        assert 1 <= sum(name in truth["disturbances"] for truth in apart) <= 30
    assert 1 <= sum("rubber" in truth["disturbances"] for truth in afresh) <= 20
    first = [simulate(seed, settings=BaySettings(duration_s=2.0)).truth["accessories"] for seed in range(40)]
    assert 4 <= sum("valve_rush" in each for each in first) <= 24
