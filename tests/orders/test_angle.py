"""Resampling to crank angle: known sweeps, aliasing, errors, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiodiag.errors import ClipError, SpeedError, UsageError
from audiodiag.orders.angle import crank_angle, resample_to_angle, revolutions
from audiodiag.orders.spectrum import order_map, order_spectrum
from audiodiag.records import SpeedTrace
from audiodiag.signal.whole import whole_spectrum

RATE_HZ = 8000


def _sweep(
    orders_amplitudes: dict[float, float], *, seconds: float = 10.0, rate_hz: int = RATE_HZ
) -> np.ndarray:
    """Tones at fixed orders while the speed rises from 700 to 1400 rpm."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    turned = (700 * t + 350 * t**2 / seconds) / 60
    return sum(a * np.cos(2 * np.pi * o * turned) for o, a in orders_amplitudes.items())


def test_revolutions_of_a_linear_rise_are_the_area_under_the_speed():
    turned = crank_angle([0, 20], [700, 1400])
    t = np.linspace(0, 20, 57)
    assert turned.rev_at(t) == pytest.approx((700 * t + 350 * t**2 / 20) / 60, abs=1e-9)
    assert turned.time_at(turned.rev_at(t)) == pytest.approx(t, abs=1e-9)


def test_unknown_instants_are_bridged_and_ends_are_held():
    rpm = np.array([np.nan, 600, np.nan, np.nan, 1200, np.nan])
    trace = SpeedTrace("acoustic", 0.9, np.arange(6.0), rpm, rpm, rpm, np.ones(6))
    turned = revolutions(trace, np.arange(6.0))
    assert turned == pytest.approx([0, 10, 10 + 700 / 60, 10 + 1600 / 60, 10 + 2700 / 60, 10 + 3900 / 60])


def test_a_sweep_stands_still_at_its_order_with_its_amplitude():
    angle = resample_to_angle(_sweep({10.0: 0.2}), RATE_HZ, [0, 10], [700, 1400])
    found = order_spectrum(angle)
    assert found.power_at(10.0) == pytest.approx(0.02, rel=1e-4)
    elsewhere = found.power[np.abs(found.orders - 10) > 0.3]
    assert 10 * np.log10(elsewhere.max() / 0.02) < -100


def test_a_wrong_sample_rate_moves_the_line():
    angle = resample_to_angle(_sweep({40.0: 0.2}), RATE_HZ * 1.005, [0, 10], [700, 1400])
    assert order_spectrum(angle).power_at(40.0) < 0.5 * 0.02


@pytest.mark.parametrize("order", [20.0, 28.0])
def test_orders_up_to_the_highest_keep_their_level(order):
    angle = resample_to_angle(_sweep({order: 1.0}), RATE_HZ, [0, 10], [700, 1400], samples_per_rev=64)
    assert 10 * np.log10(order_spectrum(angle).power_at(order) / 0.5) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("order", [33.0, 40.0, 60.0, 63.0, 100.0, 128.0])
def test_orders_above_half_the_samples_a_revolution_do_not_fold_back(order):
    angle = resample_to_angle(_sweep({order: 1.0}), RATE_HZ, [0, 10], [700, 1400], samples_per_rev=64)
    assert 10 * np.log10(order_spectrum(angle).power.max() / 0.5) < -80


def test_a_whole_spectrum_made_before_gives_the_same():
    x = _sweep({4.0: 0.5}).astype(np.float32)
    one = resample_to_angle(x, RATE_HZ, [0, 10], [700, 1400])
    two = resample_to_angle(whole_spectrum(x, RATE_HZ), RATE_HZ, [0, 10], [700, 1400])
    assert np.array_equal(one.values, two.values)


def test_samples_know_when_they_sounded():
    angle = resample_to_angle(_sweep({4.0: 0.5}), RATE_HZ, [0, 10], [700, 1400])
    assert crank_angle([0, 10], [700, 1400]).rev_at(angle.time_s) == pytest.approx(
        angle.revolutions, abs=1e-9
    )
    assert angle.time_at(87.5) == pytest.approx(5.0 * (np.sqrt(10) - 2), rel=1e-6)  # 700 t + 35 t² = 5250


def test_the_map_shows_an_order_that_comes_and_goes_at_the_right_time():
    x = _sweep({6.0: 0.3})
    x[: RATE_HZ * 5] = 0.0
    found = order_map(resample_to_angle(x, RATE_HZ, [0, 10], [700, 1400]))
    loud = found.power_at(6.0) > 0.25 * 0.045
    assert found.time_s[loud].min() == pytest.approx(5.0, abs=0.1)


def test_spans_choose_the_blocks():
    x = _sweep({6.0: 0.3})
    x[: RATE_HZ * 5] = 0.0
    angle = resample_to_angle(x, RATE_HZ, [0, 10], [700, 1400])
    assert order_spectrum(angle, resolution=0.2, spans_s=[(0.0, 4.5)]).power_at(6.0) < 1e-9
    assert order_spectrum(angle, resolution=0.2, spans_s=[(5.5, 10.0)]).power_at(6.0) == pytest.approx(
        0.045, rel=1e-3
    )
    with pytest.raises(UsageError, match="no block of the order spectrum lies in the stretches"):
        order_spectrum(angle, spans_s=[(20.0, 30.0)])


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-60, 60), order=st.floats(1.0, 25.0))
def test_gain_adds_exactly_its_decibels(gain_db, order):
    x = _sweep({order: 1.0}, seconds=3.0)
    angle = resample_to_angle(x, RATE_HZ, [0, 3], [700, 1400], samples_per_rev=64)
    louder = resample_to_angle(x * 10 ** (gain_db / 20), RATE_HZ, [0, 3], [700, 1400], samples_per_rev=64)
    before, after = order_spectrum(angle).power_at(order), order_spectrum(louder).power_at(order)
    assert 10 * np.log10(after / before) == pytest.approx(gain_db, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(order=st.floats(1.0, 25.0), rpm=st.floats(500, 1500))
def test_doubled_speed_keeps_orders(order, rpm):
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    found = []
    for factor in (1.0, 2.0):
        x = np.cos(2 * np.pi * order * factor * rpm / 60 * t)
        angle = resample_to_angle(x, RATE_HZ, [0, 4], [rpm * factor] * 2, samples_per_rev=64)
        spectrum = order_spectrum(angle)
        found.append(spectrum.orders[spectrum.power.argmax()])
    assert found[0] == pytest.approx(order, abs=0.026)
    assert found[1] == pytest.approx(order, abs=0.026)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_parseval_the_lines_add_up_to_the_power_of_the_noise(seed):
    from audiodiag.orders.angle import AngleSignal

    values = np.random.default_rng(seed).standard_normal(64 * 400)
    turn = np.arange(len(values)) / 64
    found = order_spectrum(AngleSignal(values, 64, 0.0, turn, 32.0), resolution=0.5)
    assert (found.density * found.spacing).sum() == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize(
    ("time_s", "rpm", "words"),
    [
        ([0, 1], [np.nan, np.nan], "not known at any instant"),
        ([0, 1], [700, 0], "not above zero"),
        ([1, 1], [700, 800], "do not rise"),
        ([0, 1, 2], [700, 800], "do not belong together"),
    ],
)
def test_impossible_speeds_are_refused_in_words(time_s, rpm, words):
    with pytest.raises(SpeedError, match=words):
        crank_angle(time_s, rpm)


def test_other_impossible_requests_are_refused_in_words():
    x = _sweep({4.0: 0.5}, seconds=1.0)
    with pytest.raises(UsageError, match="does not fit into the samples a revolution"):
        resample_to_angle(x, RATE_HZ, [0, 1], [700, 700], samples_per_rev=64, max_order=32)
    with pytest.raises(ClipError, match="too little sound"):
        resample_to_angle(x[:5], RATE_HZ, [0, 1], [700, 700])
    angle = resample_to_angle(x, RATE_HZ, [0, 1], [700, 700])
    with pytest.raises(UsageError, match="resolution or the overlap"):
        order_spectrum(angle, resolution=0.0)


def test_half_a_minute_at_48_khz_stays_within_its_budget():
    """0.3 s of processor time for 256 samples a revolution, the best of three runs."""
    import time

    x = np.random.default_rng(0).standard_normal(48000 * 30).astype(np.float32)
    spent = []
    for _ in range(3):
        begin = time.process_time()
        angle = resample_to_angle(x, 48000, [0, 15, 30], [700, 1500, 800], samples_per_rev=256)
        spent.append(time.process_time() - begin)
    assert angle.values.dtype == np.float32
    assert min(spent) < 0.3
