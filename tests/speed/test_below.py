"""A loud accessory read as a fast engine, on drawn sounds whose true firing rate is known."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.records import FloatArray
from audiodiag.speed.below import MOST_DOUBT, doubt, lines_below
from audiodiag.speed.firings import swells
from audiodiag.speed.front import basebands

RATE, SECONDS = 32000, 10.0
TIME = np.arange(0.0, SECONDS, 0.1)
WANDER = 1 + 0.006 * np.sin(2.1 * TIME) + 0.004 * np.sin(5.3 * TIME)
FIRING_HZ, CYLINDERS, COMB_OF_FIRING = 27.0, 4, 5.8
"""Idle at 810 rpm, and what an accessory's comb has to the firing rate (11.6 times the crankshaft)."""
FAST_HZ = 64.0
"""Firing at 1920 rpm."""


def _sound(seed: int, *, comb: float, firing_hz: float = FIRING_HZ) -> FloatArray:
    """An engine's beat, in noise of the valves and as a low tone, beside an accessory's bare harmonics."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(RATE * SECONDS)) / RATE
    rate = firing_hz * np.interp(at, TIME, WANDER)
    fired = np.cumsum(rate) / RATE
    beat = np.exp(-(np.mod(fired, 1.0) / 0.2))
    valves = beat * rng.normal(size=len(at)) * 0.4
    stroke = 0.5 * sum(np.sin(2 * np.pi * k * fired + k) / k for k in range(1, 4))
    whine = comb * sum(np.sin(2 * np.pi * k * COMB_OF_FIRING * fired + k) / k for k in range(1, 5))
    return np.asarray(valves + stroke + whine + 0.05 * rng.normal(size=len(at)))


def _heights(sound: FloatArray, firing_hz: float, cylinders: int) -> tuple[float, float]:
    found = lines_below(swells(sound, RATE), basebands(sound, RATE)[0], TIME, firing_hz * WANDER, cylinders)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(3))
def test_an_accessory_read_as_a_fast_engine_is_doubted(seed: int) -> None:
    sound = _sound(seed, comb=1.0)
    comb_hz = FIRING_HZ * COMB_OF_FIRING
    for cylinders in (5, 6, 8):
        heights = _heights(sound, comb_hz, cylinders)
        assert doubt(heights, comb_hz * 120.0 / cylinders) > 1.0, (cylinders, heights)


@pytest.mark.parametrize("comb", [0.0, 1.0])
@pytest.mark.parametrize("seed", range(3))
def test_the_engine_itself_is_not_doubted(seed: int, comb: float) -> None:
    """A fast engine read rightly, with and without the accessory."""
    sound = _sound(seed, comb=comb, firing_hz=FAST_HZ)
    heights = _heights(sound, FAST_HZ, CYLINDERS)
    assert doubt(heights, FAST_HZ * 120.0 / CYLINDERS) < 0.3, heights


def test_noise_says_nothing() -> None:
    sound = np.random.default_rng(5).normal(size=int(RATE * SECONDS))
    assert doubt(_heights(sound, 90.0, 4), 2700.0) < 0.3


def test_doubt_grows_with_the_line_and_with_speed() -> None:
    low = [doubt((12.0, height), 2000.0) for height in (2.0, 3.6, 4.0, 4.3, 9.0)]
    assert low == sorted(low)
    assert low[0] == low[1] == 0.0
    assert low[-1] == MOST_DOUBT
    by_speed = [doubt((12.0, 9.0), rpm) for rpm in (700.0, 1000.0, 1100.0, 1250.0, 1500.0)]
    assert by_speed == sorted(by_speed)
    assert by_speed[1] == 0.0
    assert doubt((4.0, 9.0), 2000.0) == 0.0
