"""Speed from pulses against the known speed of simulated channels."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from audiodiag.errors import SpeedError
from audiodiag.speed.tach import speed_from_pulses

Array = NDArray[np.floating[Any]]
DURATION_S = 20.0


def idle_rpm(time_s: Array) -> Array:
    """Idle of CHECK_VALUES 11, Speed: 750 rpm with 15 rpm at 0.3 Hz."""
    return 750 + 15 * np.sin(2 * np.pi * 0.3 * time_s)


def ramp_rpm(time_s: Array) -> Array:
    return np.interp(time_s, [0, 5, 8, 20], [800, 800, 2600, 2600])


def pulse_times_s(rpm: Array, grid_s: Array, pulses_per_rev: float) -> Array:
    step = np.diff(grid_s, prepend=grid_s[0])
    turns = np.cumsum(rpm * step) / 60
    return np.interp(np.arange(1, int(turns[-1] * pulses_per_rev)) / pulses_per_rev, turns, grid_s)


def channel(times_s: Array, rate_hz: int, *, shape: str, noise: float = 0.0, seed: int = 7) -> Array:
    """Draw pulses that begin at exact instants between the samples."""
    samples = noise * np.random.default_rng(seed).standard_normal(int(DURATION_S * rate_hz))
    clock_s = np.arange(len(samples)) / rate_hz
    for instant in times_s:
        first = int(np.ceil(instant * rate_hz))
        since = clock_s[first : first + int(0.01 * rate_hz)] - instant
        drawn = {
            "narrow": np.exp(-since / 0.0004),
            "ringing": np.exp(-since / 0.0015) * np.cos(2 * np.pi * 900 * since),
            "square": (since < 0.008).astype(float),
        }[shape]
        samples[first : first + len(drawn)] += drawn
    return samples


GRID_S = np.arange(0, DURATION_S, 1e-4)
IDLE_S = pulse_times_s(idle_rpm(GRID_S), GRID_S, 2)


def errors(trace_rpm: Array, true_rpm: Array) -> Array:
    return np.abs(trace_rpm / true_rpm - 1)


@pytest.mark.parametrize("shape", ["narrow", "ringing", "square"])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_idle_with_two_pulses_a_turn(shape: str, noise: float) -> None:
    """CHECK_VALUES 11, Speed: the reference library rota 0.3.0 reaches 0.016 % median, 0.045 % at 95 %."""
    trace = speed_from_pulses(channel(IDLE_S, 8000, shape=shape, noise=noise), 8000, pulses_per_rev=2)
    error = errors(trace.rpm, idle_rpm(trace.time_s))
    assert trace.source == "tach"
    assert np.isfinite(trace.rpm).all()
    assert np.median(error) <= 0.00017
    assert np.percentile(error, 95) <= 0.00045
    true = idle_rpm(trace.time_s)
    assert np.mean((trace.rpm_low <= true) & (true <= trace.rpm_high)) >= 0.9
    assert trace.confidence > 0.95


def test_pulses_with_a_soft_flank_are_placed_between_the_samples() -> None:
    """A Gaussian pulse of 0.4 ms is smooth at 8 kHz: its flank is found to a small part of a sample."""
    clock_s = np.arange(int(DURATION_S * 8000)) / 8000
    samples = np.zeros(len(clock_s))
    for instant in IDLE_S:
        near = slice(max(0, int((instant - 0.002) * 8000)), int((instant + 0.002) * 8000))
        samples[near] += np.exp(-0.5 * ((clock_s[near] - instant) / 0.0004) ** 2)
    trace = speed_from_pulses(samples, 8000, pulses_per_rev=2)
    error = errors(trace.rpm, idle_rpm(trace.time_s))
    assert np.median(error) <= 0.00004
    assert np.percentile(error, 95) <= 0.00015


def test_the_band_covers_the_truth_as_often_as_it_says() -> None:
    """Pulses that scatter by 1 % of their period: the 90 % band must hold about 90 % of the instants."""
    rng = np.random.default_rng(23)
    covered = []
    for seed in range(4):
        shaken = np.sort(IDLE_S + 0.0004 * rng.standard_normal(len(IDLE_S)))
        samples = channel(shaken, 8000, shape="narrow", seed=seed)
        trace = speed_from_pulses(samples, 8000, pulses_per_rev=2)
        true = idle_rpm(trace.time_s)
        covered.append(np.mean((trace.rpm_low <= true) & (true <= trace.rpm_high)))
        assert np.median((trace.rpm_high - trace.rpm_low) / true) < 0.02
    assert 0.82 <= np.mean(covered) <= 0.97


def test_missing_and_double_pulses_are_repaired_and_counted() -> None:
    rng = np.random.default_rng(11)
    kept = IDLE_S[rng.random(len(IDLE_S)) > 0.1]
    doubled = np.sort(np.concatenate([kept, kept[rng.random(len(kept)) < 0.1] + 0.011]))
    trace = speed_from_pulses(channel(doubled, 8000, shape="narrow"), 8000, pulses_per_rev=2)
    error = errors(trace.rpm, idle_rpm(trace.time_s))
    assert np.median(error) <= 0.0003
    assert error.max() <= 0.01
    missing = len(IDLE_S) - len(kept)
    assert f"{missing} missing pulses counted over" in trace.notes[0].text or (
        f"{missing - 1} missing pulses counted over" in trace.notes[0].text
    )
    assert f"{len(doubled) - len(kept)} doubles" in trace.notes[0].text


def test_a_single_huge_spike_does_not_lift_the_threshold() -> None:
    samples = channel(IDLE_S, 8000, shape="narrow")
    samples[40000] = 50.0
    trace = speed_from_pulses(samples, 8000, pulses_per_rev=2)
    assert errors(trace.rpm, idle_rpm(trace.time_s)).max() < 0.005


def test_toothed_wheel_with_a_gap() -> None:
    times_s = pulse_times_s(idle_rpm(GRID_S), GRID_S, 60)
    times_s = times_s[np.arange(1, len(times_s) + 1) % 60 < 58]
    samples = channel(times_s, 24000, shape="narrow", noise=0.02)
    trace = speed_from_pulses(samples, 24000, pulses_per_rev=60, missing_teeth=2)
    assert np.median(errors(trace.rpm, idle_rpm(trace.time_s))) < 0.0001
    assert "missing" not in trace.notes[0].text


def test_one_pulse_in_two_turns_and_the_other_polarity() -> None:
    times_s = pulse_times_s(idle_rpm(GRID_S), GRID_S, 0.5)
    trace = speed_from_pulses(-channel(times_s, 8000, shape="narrow", noise=0.02), 8000, pulses_per_rev=0.5)
    assert np.nanmedian(errors(trace.rpm, idle_rpm(trace.time_s))) < 0.0005


def test_a_blip_of_the_throttle_is_followed() -> None:
    times_s = pulse_times_s(ramp_rpm(GRID_S), GRID_S, 1)
    trace = speed_from_pulses(channel(times_s, 8000, shape="ringing"), 8000, pulses_per_rev=1)
    error = errors(trace.rpm, ramp_rpm(trace.time_s))
    assert np.median(error) < 0.0005
    assert error.max() < 0.04


def test_a_stretch_without_pulses_is_unknown_and_noted() -> None:
    kept = IDLE_S[(IDLE_S < 8) | (IDLE_S > 11)]
    trace = speed_from_pulses(channel(kept, 8000, shape="narrow"), 8000, pulses_per_rev=2)
    gap = (trace.time_s > 8.1) & (trace.time_s < 10.9)
    assert np.isnan(trace.rpm[gap]).all()
    assert np.isfinite(trace.rpm[~gap & (trace.time_s < 7.9)]).all()
    assert trace.notes[-1].code == "pulses_gap"
    assert np.nanmedian(errors(trace.rpm, idle_rpm(trace.time_s))) < 0.0003


def test_the_wrong_number_of_pulses_scales_the_speed() -> None:
    samples = channel(IDLE_S, 8000, shape="narrow")
    one = speed_from_pulses(samples, 8000, pulses_per_rev=1).median_rpm
    two = speed_from_pulses(samples, 8000, pulses_per_rev=2).median_rpm
    assert one / two == pytest.approx(2, rel=1e-3)


@pytest.mark.parametrize("gain", [1e-3, 1.0, 300.0])
def test_gain_and_offset_change_nothing(gain: float) -> None:
    samples = channel(IDLE_S, 8000, shape="ringing")
    plain = speed_from_pulses(samples, 8000, pulses_per_rev=2)
    moved = speed_from_pulses(gain * (samples + 3), 8000, pulses_per_rev=2)
    np.testing.assert_allclose(moved.rpm, plain.rpm, rtol=1e-6)


def hum(kind: str) -> Array:
    clock_s = np.arange(int(DURATION_S * 8000)) / 8000
    rng = np.random.default_rng(5)
    return {
        "silent": np.zeros(len(clock_s)),
        "offset": np.full(len(clock_s), 0.5),
        "noise": rng.standard_normal(len(clock_s)),
        "tone": np.sin(2 * np.pi * 382 * clock_s),
        "three pulses": (np.isin(np.arange(len(clock_s)), [900, 70000, 150000])).astype(float),
    }[kind]


@pytest.mark.parametrize(
    ("kind", "got"),
    [
        ("silent", "a silent channel"),
        ("offset", "a silent channel"),
        ("noise", "follow a rhythm|too fast for 8000 rpm"),
        ("tone", "too fast for 8000 rpm"),
        ("three pulses", "silent|3 pulses in 20.0 s"),
    ],
)
def test_a_channel_without_pulses_is_refused_in_words(kind: str, got: str) -> None:
    with pytest.raises(SpeedError, match=f"carries no regular pulses .got .*({got})") as caught:
        speed_from_pulses(hum(kind), 8000, pulses_per_rev=2)
    assert "let the speed be found by ear" in str(caught.value)


def test_impossible_settings_and_speeds_are_refused() -> None:
    with pytest.raises(SpeedError, match="got 0 pulses, 0 missing"):
        speed_from_pulses(np.zeros(8000), 8000, pulses_per_rev=0)
    with pytest.raises(SpeedError, match="got 2 pulses, 3 missing"):
        speed_from_pulses(np.zeros(8000), 8000, pulses_per_rev=2, missing_teeth=3)
    with pytest.raises(SpeedError, match=r"impossible engine speed \(got 75 rpm with 20 pulses"):
        speed_from_pulses(channel(IDLE_S, 8000, shape="narrow"), 8000, pulses_per_rev=20)
    with pytest.raises(SpeedError, match=r"only 0\.12 s"):
        speed_from_pulses(np.ones(1000), 8000, pulses_per_rev=2)


@pytest.mark.parametrize("noise", [0.0, 0.01])
@pytest.mark.parametrize("shape", ["narrow", "square"])
@pytest.mark.parametrize(("first_s", "last_s"), [(0.0, 8.0), (13.0, 20.0)])
def test_a_lead_that_falls_off_or_comes_late_is_read_while_it_is_on(
    first_s: float, last_s: float, shape: str, noise: float
) -> None:
    on = IDLE_S[(first_s <= IDLE_S) & (last_s >= IDLE_S)]
    trace = speed_from_pulses(channel(on, 8000, shape=shape, noise=noise), 8000, pulses_per_rev=2)
    inside = (trace.time_s > first_s + 0.3) & (trace.time_s < last_s - 0.3)
    assert np.median(errors(trace.rpm, idle_rpm(trace.time_s))[inside]) < 0.0005
    assert np.isfinite(trace.rpm[inside]).all()
    assert np.isnan(trace.rpm[(trace.time_s < first_s - 0.5) | (trace.time_s > last_s + 0.5)]).all()


@pytest.mark.parametrize("at_s", [(1.1, 3.3, 6.1), (3.0, 3.45, 3.9)])
@pytest.mark.parametrize("height", [-15.0, 15.0])
def test_a_few_loud_clicks_silence_no_pulses(at_s: tuple[float, ...], height: float) -> None:
    samples = channel(IDLE_S, 8000, shape="square")
    for instant in at_s:
        samples[round(instant * 8000)] += height
    trace = speed_from_pulses(samples, 8000, pulses_per_rev=2)
    assert np.nanmedian(errors(trace.rpm, idle_rpm(trace.time_s))) < 0.0005
    assert np.isfinite(trace.rpm).mean() > 0.85


@pytest.mark.parametrize("quiet", [0.03, 0.09, 0.12])
def test_a_level_that_drops_is_read_on(quiet: float) -> None:
    samples = channel(IDLE_S, 8000, shape="square")
    samples[7 * 8000 :] *= quiet
    trace = speed_from_pulses(samples, 8000, pulses_per_rev=2)
    assert np.isfinite(trace.rpm).mean() > 0.9
    assert np.nanmedian(errors(trace.rpm, idle_rpm(trace.time_s))) < 0.0005
