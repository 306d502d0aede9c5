"""Belt passes: trains of bursts built here at known orders, the published pass frequency, simulated clips."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiodiag.orders.passes import find_belt_passes
from audiodiag.records import SpeedTrace
from audiodiag.vehicle import Vehicle, belt_order

RATE_HZ = 16000


def trace(seconds: float, low_rpm: float, high_rpm: float) -> SpeedTrace:
    t, r = np.array([0.0, seconds]), np.array([low_rpm, high_rpm])
    return SpeedTrace("table", 1.0, t, r, r, r, np.ones(2))


def train(
    order: float, *, seconds: float = 16.0, low_rpm: float = 720.0, high_rpm: float = 830.0, seed: int = 3
) -> np.ndarray:
    """Bursts of 40 ms of noise once every ``1 / order`` turns, uneven in strength, over a ticking engine."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    turns = (low_rpm * t + (high_rpm - low_rpm) * t**2 / (2 * seconds)) / 60.0
    passed = turns * order
    rpm = low_rpm + (high_rpm - low_rpm) * t / seconds
    since_s = (passed % 1.0) / order / (rpm / 60.0)
    strength = np.exp(0.4 * rng.standard_normal(int(passed[-1]) + 1))[passed.astype(int)]
    burst = strength * (since_s < 0.04)
    tick = 2.0 * ((turns * 2.0) % 1.0 < 0.08)
    return (rng.standard_normal(len(t)) * (0.3 + burst + tick)).astype(np.float32)


@pytest.mark.parametrize("order", [0.2244, 0.29, 0.37, 0.43, 0.56, 0.62])
def test_the_order_of_a_train_is_found(order: float):
    found = find_belt_passes(train(order), RATE_HZ, trace(16.0, 720.0, 830.0))
    assert found.repeats == "belt"
    assert found.order == pytest.approx(order, rel=0.004)
    assert abs(found.order - order) < 5 * found.order_sd
    assert found.probability > 0.7


def test_the_published_belt_gives_its_pass_frequency_and_length():
    """pi D n / (60 L): D = 150 mm, L = 2.1 m at 750 rpm pass 2.8050 times a second (geometry, exact)."""
    order = belt_order(150.0, 2100.0)
    assert order * 750.0 / 60.0 == pytest.approx(2.8050, abs=1e-4)
    sound = train(order, low_rpm=750.0, high_rpm=750.0)
    found = find_belt_passes(
        sound, RATE_HZ, trace(16.0, 750.0, 750.0), vehicle=Vehicle(crank_pulley_mm=150.0)
    )
    assert found.order * 750.0 / 60.0 == pytest.approx(2.8050, rel=0.004)
    assert found.belt_length_mm == pytest.approx(2100.0, rel=0.004)
    assert found.belt_length_mm == pytest.approx(math.pi * 150.0 / found.order)
    assert "mm" in found.text


def test_a_train_once_a_pulley_turn_is_not_the_belts():
    found = find_belt_passes(train(1.23), RATE_HZ, trace(16.0, 720.0, 830.0))
    assert found.repeats == "pulley"
    assert found.order == pytest.approx(1.23, rel=0.004)
    assert found.belt_length_mm is None
    assert "pulley" in found.text


def test_an_engine_that_ticks_has_no_belt_train():
    t = np.arange(16 * RATE_HZ) / RATE_HZ
    turns = 12.5 * t
    noise = np.random.default_rng(1).standard_normal(len(t))
    sound = noise * (0.3 + ((turns * 2.0) % 1.0 < 0.1) + 0.7 * ((turns * 0.5) % 1.0 < 0.03))
    found = find_belt_passes(sound, RATE_HZ, trace(16.0, 750.0, 750.0))
    assert (found.repeats, found.order) == ("none", None)


def test_another_belt_than_the_cars_is_said():
    found = find_belt_passes(
        train(0.37),
        RATE_HZ,
        trace(16.0, 720.0, 830.0),
        vehicle=Vehicle(belt_passes_per_crank_turn=0.5),
    )
    assert found.order == pytest.approx(0.37, rel=0.004)
    assert "another belt" in found.text


def test_without_speed_or_height_nothing_is_told():
    none = np.zeros(0)
    unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    assert find_belt_passes(train(0.37), RATE_HZ, unknown).repeats == "none"
    short = find_belt_passes(train(0.37, seconds=1.5), RATE_HZ, trace(1.5, 720.0, 830.0))
    assert short.order is None and "too short" in short.text
    dull = find_belt_passes(np.random.default_rng(1).standard_normal(60000), 4000, trace(15, 700, 800))
    assert dull.order is None and "2 kHz" in dull.text
    assert find_belt_passes(np.zeros(160000), RATE_HZ, trace(10, 700, 800)).repeats == "none"
