from __future__ import annotations

import numpy as np
import pytest

from audiodiag.errors import ClipError, UsageError
from audiodiag.orders.angle import AngleSignal, resample_to_angle
from audiodiag.orders.synchronous import synchronous_average


def angle_signal(values, per_rev: int = 60) -> AngleSignal:
    return AngleSignal(np.asarray(values), per_rev, 0.0, np.arange(len(values)) / (12.5 * per_rev), 25.0)


def test_known_average_and_its_error_in_noise():
    rng = np.random.default_rng(1)
    turn = np.sin(2 * np.pi * np.arange(60) / 60) + 0.5 * np.cos(2 * np.pi * 7 * np.arange(60) / 60)
    noise = 0.8 * rng.standard_normal(60 * 400)
    found = synchronous_average(angle_signal(np.tile(turn, 400) + noise))
    assert found.turns == 400
    error = found.mean - turn
    assert np.std(error) == pytest.approx(0.8 / np.sqrt(400), rel=0.25), "falls as 1 / turns in power"
    assert np.mean(found.standard_error) == pytest.approx(0.8 / np.sqrt(400), rel=0.05)
    assert found.share == pytest.approx(0.625 / (0.625 + 0.64), abs=0.02), "3 sd of noise meeting the turn"


def test_share_of_pure_noise_is_nothing():
    noise = np.random.default_rng(2).standard_normal(60 * 300)
    assert synchronous_average(angle_signal(noise)).share < 0.01


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.237])
def test_any_part_at_its_own_turns_while_the_speed_changes(ratio):
    rate, seconds = 8000, 20.0
    time_s = np.arange(int(rate * seconds)) / rate
    turned = (700 * time_s + 350 * time_s**2 / seconds) / 60.0
    sound = np.cos(2 * np.pi * 3 * ratio * turned + 0.4) + 0.7 * np.cos(2 * np.pi * 2.83 * turned)
    angle = resample_to_angle(sound, rate, [0, seconds], [700, 1400], samples_per_rev=64)
    found = synchronous_average(angle, turns_per_rev=ratio, points=48, start_rev=4.0)
    expected = np.cos(2 * np.pi * 3 * (found.turn + 4.0 * ratio) + 0.4)
    assert np.abs(found.mean - expected).max() < 0.03


def test_what_cannot_be_averaged_is_refused_in_words():
    with pytest.raises(ClipError, match="too few whole turns"):
        synchronous_average(angle_signal(np.ones(90)))
    with pytest.raises(UsageError, match="0 turns per crank revolution"):
        synchronous_average(angle_signal(np.ones(600)), turns_per_rev=0.0)
