"""A part that only shares the belt: its lines keep their orders, and the steering moves none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.simulation import BaySettings, simulate
from audiodiag.simulation.afresh.around import make_around
from audiodiag.simulation.afresh.bay import make_scene as make_afresh
from audiodiag.simulation.afresh.running import Run
from audiodiag.simulation.apart.bay import make_scene as make_apart
from audiodiag.simulation.apart.course import Course
from audiodiag.simulation.apart.yard import make_sound

RATE, SECONDS = 16000, 8.0
HELD = (("centre", 0.0, 4.0), ("stop", 4.0, 8.0))


def glide() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed that rises by four fifths, turns made, and load of a wheel that goes to the stop half way."""
    at = np.arange(int(RATE * SECONDS)) / RATE
    rpm = 750.0 * (1 + 0.1 * at)
    return rpm, np.cumsum(rpm) / 60 / RATE, (at >= 4.0).astype(float)


def one_of(bay: str, seed: int, *, loaded: bool = True) -> np.ndarray:
    rpm, turns, load = glide()
    load = load if loaded else np.zeros_like(load)
    rng = np.random.default_rng(seed)
    if bay == "apart":
        course = Course(RATE, len(rpm), 750.0, rpm, turns, load, np.gradient(rpm) * RATE, HELD)
        return make_sound("belt_part", rng, course, 4)
    run = Run(RATE, len(rpm), 750.0, rpm, turns, load, 0 * load, np.gradient(rpm) * RATE, HELD)
    return make_around("belt_part", rng, run, 4)


def in_lines(sound: np.ndarray, turns: np.ndarray) -> float:
    """Share of the power in the strongest hundredth of the spectrum."""
    even = np.interp(np.arange(0.0, turns[-1], 1 / 512), turns, sound)
    power = np.sort(np.square(np.abs(np.fft.rfft(even * np.hanning(len(even))))))[::-1]
    return float(power[: len(power) // 100].sum() / power.sum())


@pytest.mark.parametrize("bay", ["apart", "afresh"])
def test_its_lines_keep_their_orders_while_the_speed_rises(bay: str) -> None:
    _, turns, _ = glide()
    by_turns, by_time = np.mean(
        [
            (in_lines(sound, turns), in_lines(sound, np.linspace(0, turns[-1], len(turns))))
            for sound in (one_of(bay, seed) for seed in range(8))
        ],
        axis=0,
    )
    assert by_turns > 0.95
    assert by_time < 0.8


@pytest.mark.parametrize("bay", ["apart", "afresh"])
def test_the_steering_does_not_move_it(bay: str) -> None:
    for seed in range(4):
        assert np.array_equal(one_of(bay, seed), one_of(bay, seed, loaded=False))


def test_in_the_first_bay_it_stands_in_lines_too() -> None:
    settings = BaySettings(
        duration_s=6.0, symptoms=(), codec="wav", disturbances=(), mode="idle", phases=(("centre", 0.0, 6.0),)
    )
    shares = []
    for seed in range(5):
        with_it, without = (
            simulate(seed, settings=replace(settings, accessories=kept), keep_parts=True)
            for kept in (("belt_part",), ())
        )
        assert with_it.parts is not None and without.parts is not None
        alone = with_it.parts["engine"] - without.parts["engine"]
        rate = with_it.truth["parts_rate_hz"]
        rpm = np.interp(np.arange(len(alone)) / rate, with_it.truth["time_s"], with_it.truth["rpm"])
        shares.append(in_lines(alone, np.cumsum(rpm) / 60 / rate))
        assert with_it.truth["symptoms"] == []
    assert np.median(shares) > 0.6


def test_it_is_in_some_clips_of_each_bay() -> None:
    apart = [make_apart(seed, duration_s=3.0).truth["disturbances"] for seed in range(40)]
    afresh = [make_afresh(seed, duration_s=3.0).truth["disturbances"] for seed in range(40)]
    first = [simulate(seed, settings=BaySettings(duration_s=2.0)).truth["accessories"] for seed in range(40)]
    for bay in (apart, afresh, first):
        assert 1 <= sum("belt_part" in each for each in bay) <= 12
