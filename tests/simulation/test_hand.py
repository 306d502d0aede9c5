"""A phone in the hand: levels wander slowly, the highs apart from the lows, and nothing flickers."""

import numpy as np
import pytest
from scipy import signal

from audiodiag.simulation import BaySettings, simulate
from audiodiag.simulation.afresh.bay import make_scene as make_afresh
from audiodiag.simulation.afresh.phone import carried
from audiodiag.simulation.apart.bay import make_scene as make_apart
from audiodiag.simulation.apart.phone import swayed
from audiodiag.simulation.phone import held_by_hand

RATE = 32000
LAWS = {"first": held_by_hand, "apart": swayed, "afresh": carried}


def noise() -> np.ndarray:
    return np.random.default_rng(5).standard_normal(RATE * 12).astype(np.float32)


def level_db(sound: np.ndarray, low_hz: float, high_hz: float) -> np.ndarray:
    """Level every half second between two frequencies."""
    band = signal.sosfilt(signal.butter(4, (low_hz, high_hz), "band", fs=RATE, output="sos"), sound)
    return 10 * np.log10(np.square(band).reshape(-1, RATE // 2).mean(axis=1))[1:]


@pytest.mark.parametrize("law", LAWS)
def test_levels_wander_by_some_decibels_and_the_highs_not_as_the_lows_do(law: str) -> None:
    plain, apart, ranges = noise(), [], []
    for seed in range(12):
        held = LAWS[law](np.random.default_rng(seed), plain, RATE)
        assert held.shape == plain.shape
        assert held.dtype == np.float32
        high, low = (level_db(held, *band) - level_db(plain, *band) for band in ((4000, 9000), (150, 500)))
        ranges.append(float(np.ptp(high)))
        apart.append(float(np.std(high - low)))
    assert 0.5 < np.median(ranges) < 12.0
    assert max(ranges) < 25.0
    assert np.median(apart) > 0.1


@pytest.mark.parametrize("law", LAWS)
def test_a_hand_makes_no_beat(law: str) -> None:
    """What the hand does to a steady tone lies below 12 Hz: no rotor, no engine."""
    tone = np.sin(2 * np.pi * 6000 * np.arange(RATE * 12) / RATE).astype(np.float32)
    held = LAWS[law](np.random.default_rng(3), tone, RATE)
    level = np.log(np.sqrt(np.square(held).reshape(-1, 160).mean(axis=1)))[40:-40]
    power = np.square(np.abs(np.fft.rfft((level - level.mean()) * np.hanning(len(level)))))
    hz = np.fft.rfftfreq(len(level), 160 / RATE)
    assert power[hz > 12].sum() < 0.02 * power.sum()


def test_more_than_half_of_the_phones_are_held_in_each_bay() -> None:
    for make in (make_apart, make_afresh):
        held = sum("hand" in make(seed, duration_s=3.0).truth["disturbances"] for seed in range(40))
        assert 16 <= held <= 32
    first = sum(
        "hand" in simulate(seed, settings=BaySettings(duration_s=2.0)).truth["disturbances"]
        for seed in range(30)
    )
    assert 11 <= first <= 25


def test_a_phone_that_lies_hears_what_it_heard_before() -> None:
    settings = BaySettings(duration_s=3.0, disturbances=())
    held = BaySettings(duration_s=3.0, disturbances=("hand",))
    lying, again = (simulate(7, settings=settings).samples for _ in range(2))
    assert np.array_equal(lying, again)
    assert not np.array_equal(lying, simulate(7, settings=held).samples)
