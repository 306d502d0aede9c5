"""Cyclic coherence against closed forms: noise whose amplitude is multiplied by 1 + m cos."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.errors import ClipError, UsageError
from audiodiag.orders.angle import crank_angle
from audiodiag.orders.cyclic import chance_coherence, cyclic_coherence

RATE, SECONDS = 8000, 20
TIME_S = np.arange(RATE * SECONDS) / RATE


def noise(seed: int = 1):
    return np.random.default_rng(seed).standard_normal(len(TIME_S))


@pytest.mark.parametrize("depth", [0.3, 0.6, 1.0])
def test_known_depth_gives_known_coherence(depth):
    # Antoni 2007: S(a) / S(0) of a modulated white noise: m / (1 + m²/2) at a, m²/4 / (1 + m²/2) at 2 a.
    swinging = noise() * (1 + depth * np.cos(2 * np.pi * 15 * TIME_S + 0.7))
    found = cyclic_coherence(swinging, RATE, TIME_S, [15.0, 30.0, 22.0])
    inside = (found.frequency_hz > 200) & (found.frequency_hz < 3800)
    mean = np.mean(found.coherence[:, inside], axis=1)
    power = 1 + depth**2 / 2
    assert abs(mean[0]) == pytest.approx(depth / power, abs=0.02)
    assert abs(mean[1]) == pytest.approx(depth**2 / 4 / power, abs=0.02)
    assert abs(mean[2]) < 0.02
    assert np.angle(mean[0]) == pytest.approx(0.7, abs=0.05)
    assert found.together(200, 3800)[0] == pytest.approx((depth / power) ** 2, abs=0.02)


def test_the_swing_stands_still_over_crank_angle_while_the_speed_changes():
    turned = crank_angle([0, SECONDS], [700, 1500]).rev_at(TIME_S)
    swinging = noise(3) * (1 + 0.6 * np.cos(2 * np.pi * 2.4 * turned))
    by_angle = cyclic_coherence(swinging, RATE, turned, [2.4]).together(200, 3800)[0]
    by_time = cyclic_coherence(swinging, RATE, TIME_S, [2.4 * 1100 / 60]).together(200, 3800)[0]
    assert by_angle == pytest.approx((0.6 / 1.18) ** 2, abs=0.02)
    assert by_time < 0.05 * by_angle


def test_only_the_band_that_swings_is_coherent():
    spectrum = np.fft.rfft(noise(4))
    spectrum[np.fft.rfftfreq(len(TIME_S), 1 / RATE) > 2000] = 0
    low = np.fft.irfft(spectrum, len(TIME_S))
    high = noise(5) - np.fft.irfft(
        np.where(np.fft.rfftfreq(len(TIME_S), 1 / RATE) > 2000, 0, np.fft.rfft(noise(5))), len(TIME_S)
    )
    found = cyclic_coherence(low * (1 + 0.8 * np.cos(2 * np.pi * 20 * TIME_S)) + high, RATE, TIME_S, [20.0])
    assert found.together(200, 1800)[0] > 0.3
    assert abs(found.together(2300, 3800)[0]) < 0.01


def test_steady_noise_passes_the_chance_level_as_often_as_stated():
    rates = 7.0 + 0.5 * np.arange(40)
    found = cyclic_coherence(noise(6), RATE, TIME_S, rates)
    inside = (found.frequency_hz > 200) & (found.frequency_hz < 3800)
    over = np.abs(found.coherence[:, inside][:, ::4]) > found.chance(0.05)
    assert 0.03 < over.mean() < 0.07, "720 nearly independent cells"
    assert np.abs(found.together(200, 3800)).max() < 0.003


def test_the_chance_level_falls_with_the_length():
    # For large K: |gamma|² is exponential with mean 1 / K (Carter 1987), so the level is sqrt(-ln p / K).
    assert chance_coherence(1e6, 0.01) == pytest.approx(np.sqrt(-np.log(0.01) / 1e6), rel=1e-3)


def test_what_does_not_fit_is_refused_in_words():
    with pytest.raises(UsageError, match="do not belong together"):
        cyclic_coherence(np.ones(100), 100, np.ones(99), [1.0])
    with pytest.raises(ClipError, match="too short for a coherence"):
        cyclic_coherence(np.ones(300), 8000, np.arange(300) / 8000, [10.0])
    with pytest.raises(UsageError, match="no chance level"):
        chance_coherence(1.0)
