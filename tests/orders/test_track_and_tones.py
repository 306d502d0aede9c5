"""Tracking, single tones and order tones: errors, properties, levels above noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiodiag.errors import ClipError, UsageError
from audiodiag.orders.angle import resample_to_angle
from audiodiag.orders.critical_band import critical_band_iso
from audiodiag.orders.envelope import band_envelope, best_band, envelope_order_spectrum, spectral_kurtosis
from audiodiag.orders.order_tones import noise_floor, tone_level_above_noise
from audiodiag.orders.single_tone import estimate_tone
from audiodiag.orders.spectrum import order_map, order_spectrum
from audiodiag.orders.tonality import tone_ratios
from audiodiag.orders.track import track_orders, vold_kalman
from audiodiag.signal.weighting import weighting_db
from audiodiag.signal.whole import whole_spectrum

RATE_HZ = 8000


def _idle(seconds: float, *, tone_rms: float = 0.02, noise_rms: float = 0.05, seed: int = 3) -> np.ndarray:
    """Simulated: order 12 in white noise at 750 rpm."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    noise = noise_rms * np.random.default_rng(seed).standard_normal(len(t))
    return noise + tone_rms * np.sqrt(2) * np.cos(2 * np.pi * 150 * t)


def test_an_order_in_white_noise_stands_above_it_by_the_closed_form():
    """Tone power over noise density times the critical band at 150 Hz."""
    angle = resample_to_angle(_idle(30), RATE_HZ, [0, 30], [750, 750])
    found = tone_level_above_noise(order_spectrum(angle), [12.0, 12.02, 9.0], 750.0)
    density = 0.05**2 / 4000
    width = 25 + 75 * (1 + 1.4 * 0.15**2) ** 0.69
    expected = 10 * np.log10(0.02**2 / (density * width))
    assert found.frequency_hz == pytest.approx([150.0, 150.25, 112.5])
    assert found.above_noise_db[0] == pytest.approx(expected, abs=0.5)
    assert found.above_noise_db[1] == pytest.approx(expected, abs=0.5)
    assert found.level_db[0] == pytest.approx(10 * np.log10(0.02**2), abs=0.2)
    band = critical_band_iso(150.0)
    weights = weighting_db(np.linspace(band.low_hz, band.high_hz, 200)) - weighting_db(150.0)
    tilt = 10 * np.log10(np.mean(10 ** (weights / 10)))  # A-weighting tilts the noise
    masking = -2 - np.log10(1 + (150 / 502) ** 2.5)
    assert found.audibility_db[0] == pytest.approx(expected - tilt - masking, abs=0.4)
    assert found.audibility_db[2] < 0


def test_rows_of_a_map_have_their_own_speed():
    t = np.arange(RATE_HZ * 20) / RATE_HZ
    turned = (700 * t + 350 * t**2 / 20) / 60
    x = 0.1 * np.cos(2 * np.pi * 12 * turned) + 0.02 * np.random.default_rng(1).standard_normal(len(t))
    found = order_map(resample_to_angle(x, RATE_HZ, [0, 20], [700, 1400]))
    rpm = np.interp(found.time_s, [0, 20], [700, 1400])
    tones = tone_level_above_noise(found, [12.0, 500.0], rpm)
    assert tones.frequency_hz[:, 0] == pytest.approx(12 * rpm / 60)
    assert tones.level_db[:, 0] == pytest.approx(10 * np.log10(0.005), abs=0.3)
    assert np.isnan(tones.level_db[:, 1]).all()
    whole = tone_level_above_noise(found, [12.0], rpm)
    rpm[3] = np.nan
    gap = tone_level_above_noise(found, [12.0], rpm)
    assert np.isnan(gap.above_noise_db[3, 0])
    assert gap.above_noise_db[4:, 0] == pytest.approx(whole.above_noise_db[4:, 0], abs=1e-9)
    with pytest.raises(UsageError, match="speeds do not fit the rows"):
        tone_level_above_noise(found, [12.0], rpm[:5])


def test_the_noise_floor_looks_under_a_comb_of_tones():
    rng = np.random.default_rng(4)
    power = rng.chisquare(40, 2000) / 40 * 1.5
    power[100::20] = 300.0
    assert np.median(noise_floor(power, 1.0)[100:1500]) == pytest.approx(1.0, rel=0.03)


@pytest.mark.parametrize(
    ("averages", "bias_db", "within_db"), [(1, -2.1, 0.3), (4, 0.0, 0.15), (20, 0.0, 0.05)]
)
def test_the_noise_floor_of_averaged_noise(averages, bias_db, within_db):
    power = np.random.default_rng(0).chisquare(2 * averages, (50, 2000)) / (2 * averages) * 1.5
    found = noise_floor(power, 2.0)[:, 50:1500]
    assert 10 * np.log10(found.mean()) == pytest.approx(bias_db, abs=within_db)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-40, 40))
def test_gain_moves_levels_and_leaves_ratios(gain_db):
    found = []
    for gain in (1.0, 10 ** (gain_db / 20)):
        angle = resample_to_angle(_idle(4) * gain, RATE_HZ, [0, 4], [750, 750], samples_per_rev=64)
        found.append(tone_level_above_noise(order_spectrum(angle), [12.0], 750.0))
    assert found[1].level_db - found[0].level_db == pytest.approx(gain_db, abs=1e-6)
    assert found[1].above_noise_db == pytest.approx(found[0].above_noise_db, abs=1e-6)
    assert found[1].audibility_db == pytest.approx(found[0].audibility_db, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(gain=st.floats(0.01, 100), order=st.floats(1.0, 12.0), phase=st.floats(-3.1, 3.1))
def test_tracking_is_linear_and_finds_amplitude_and_phase(gain, order, phase):
    t = np.arange(RATE_HZ * 3) / RATE_HZ
    x = gain * np.cos(2 * np.pi * order * 12.5 * t + phase)
    found = track_orders(x, RATE_HZ, [0, 3], [750, 750], [order], bandwidth_hz=3.0)
    middle = found.envelope[0, found.time_s.size // 2]
    assert middle == pytest.approx(gain * np.exp(1j * phase), abs=0.005 * gain)


@settings(max_examples=25, deadline=None)
@given(frequency_hz=st.floats(21, 3900), phase=st.floats(-3.1, 3.1), amplitude=st.floats(0.01, 10.0))
def test_a_tone_without_noise_is_found_exactly(frequency_hz, phase, amplitude):
    t = np.arange(4000) / RATE_HZ
    found = estimate_tone(amplitude * np.cos(2 * np.pi * frequency_hz * t + phase), RATE_HZ, low_hz=10)
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=1e-6)
    assert found.amplitude == pytest.approx(amplitude, rel=1e-6)
    assert np.cos(found.phase_rad - phase) == pytest.approx(1.0, abs=1e-9)


def test_tracking_over_crank_angle_takes_its_bandwidth_in_orders():
    angle = resample_to_angle(_idle(10), RATE_HZ, [0, 10], [750, 750], samples_per_rev=64)
    found = vold_kalman(angle.values, 64, 12.0 * angle.revolutions[np.newaxis], bandwidth=0.1)
    assert np.median(found.amplitude) == pytest.approx(0.02 * np.sqrt(2), rel=0.1)


def test_an_envelope_swings_at_the_order_of_its_part():
    """Simulated groan: noise of 1 to 3 kHz whose power swings with the pump, 1.2 turns per crank turn."""
    t = np.arange(RATE_HZ * 20) / RATE_HZ
    turned = (700 * t + 50 * t**2 / 20) / 60
    noise = np.random.default_rng(6).standard_normal(len(t))
    x = (1 + 0.5 * np.cos(2 * np.pi * 1.2 * turned)) * noise
    found = envelope_order_spectrum(x, RATE_HZ, (1000, 3000), [0, 20], [700, 800])
    expected = 2 * 0.5 / (1 + 0.5**2 / 2)
    assert found.line_amplitude(1.2) == pytest.approx(expected, rel=0.05)
    assert found.above_floor_db([1.2])[0] > 20
    assert found.above_floor_db([1.7])[0] < 8
    quiet = envelope_order_spectrum(noise, RATE_HZ, (1000, 3000), [0, 20], [700, 800])
    assert quiet.line_amplitude(1.2) < 0.15 * expected


def test_an_envelope_ignores_gain():
    x = _idle(5)
    one = envelope_order_spectrum(x, RATE_HZ, (500, 2000), [0, 5], [750, 750])
    two = envelope_order_spectrum(x * 7.0, RATE_HZ, (500, 2000), [0, 5], [750, 750])
    assert two.spectrum.power == pytest.approx(one.spectrum.power, rel=1e-9)
    assert two.mean_square == pytest.approx(49 * one.mean_square, rel=1e-9)


def test_parseval_the_band_holds_the_power_of_the_noise():
    """White noise of power 1 puts (high - low) / (rate / 2) into a band, half its squared envelope."""
    x = np.random.default_rng(9).standard_normal(RATE_HZ * 20)
    found = band_envelope(x, RATE_HZ, (1000, 2000))
    assert np.mean(found.values**2) / 2 == pytest.approx(0.25, rel=0.02)


def test_impossible_requests_are_refused_in_words():
    x = _idle(2)
    with pytest.raises(UsageError, match="order to follow lies outside the recording"):
        track_orders(x, RATE_HZ, [0, 2], [750, 750], [400.0])
    with pytest.raises(UsageError, match="Vold-Kalman filter cannot be set up"):
        vold_kalman(x, RATE_HZ, np.zeros((1, 5)), bandwidth=1.0)
    with pytest.raises(UsageError, match="no tone can be looked for"):
        estimate_tone(x[:10], RATE_HZ)
    with pytest.raises(ClipError, match="band holds no line"):
        band_envelope(x, RATE_HZ, (5000, 6000))
    with pytest.raises(ClipError, match="no sound in a band"):
        envelope_order_spectrum(np.zeros(RATE_HZ), RATE_HZ, (500, 2000), [0, 1], [750, 750])
    with pytest.raises(UsageError, match="too short for a spectral kurtosis"):
        spectral_kurtosis(x[:100], RATE_HZ)
    with pytest.raises(UsageError, match="no band fits into the range"):
        best_band(x, RATE_HZ, low_hz=100, high_hz=101)
    with pytest.raises(UsageError, match="tone lies outside the spectrum"):
        tone_ratios(np.ones(100), 1.0, [150.0])


def test_one_transform_serves_all():
    x = _idle(3).astype(np.float32)
    whole = whole_spectrum(x, RATE_HZ)
    assert np.array_equal(
        band_envelope(whole, RATE_HZ, (500, 2000)).values, band_envelope(x, RATE_HZ, (500, 2000)).values
    )
    assert whole.lines.dtype == np.complex64
    with pytest.raises(ValueError, match="read-only"):
        whole.lines[0] = 0
