"""Order maps, Vold-Kalman tracking and frequency estimates against closed forms and a second opinion."""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest

from audiodiag.orders.angle import resample_to_angle
from audiodiag.orders.single_tone import estimate_tone, frequency_bound_hz
from audiodiag.orders.spectrum import order_map
from audiodiag.orders.track import track_orders, vold_kalman, vold_kalman_weight

RATE_HZ = 8000
TRUTH = {2.0: (1.0, 0.3), 4.0: (0.5, 1.1), 10.0: (0.2, -0.7)}
TIME_S, RPM = [0.0, 20.0], [700.0, 1400.0]

needs_rota = pytest.mark.skipif(
    importlib.util.find_spec("rota") is None, reason="the second opinion (rota-order) is not installed"
)


@pytest.fixture(scope="module")
def time_s() -> np.ndarray:
    return np.arange(RATE_HZ * 20) / RATE_HZ


@pytest.fixture(scope="module")
def turned(time_s) -> np.ndarray:
    return (700 * time_s + 350 * time_s**2 / 20) / 60


@pytest.fixture(scope="module")
def sweep(time_s, turned) -> np.ndarray:
    """Orders 2, 4 and 10 from 700 to 1400 rpm in 20 s, white noise of rms 0.05."""
    noise = 0.05 * np.random.default_rng(42).standard_normal(len(time_s))
    return noise + sum(a * np.cos(2 * np.pi * o * turned + p) for o, (a, p) in TRUTH.items())


def test_order_map_of_a_sweep_with_known_truth(sweep):
    """Fyfe and Munck (1997), computed order tracking; the truth is analytic: 0.1 dB mean, 0.5 dB a frame."""
    found = order_map(resample_to_angle(sweep, RATE_HZ, TIME_S, RPM))
    for order, (amplitude, _) in TRUTH.items():
        power = found.power[:, round(order / found.spacing)]
        error_db = 10 * np.log10(power / (amplitude**2 / 2))
        assert 10 * np.log10(power.mean() / (amplitude**2 / 2)) == pytest.approx(0.0, abs=0.03)
        assert np.abs(error_db).max() < 0.4
    between = found.power[:, round(7.0 / found.spacing)]
    assert np.sqrt(between.mean()) == pytest.approx(0.0021, rel=0.15)


@pytest.mark.parametrize("poles", [1, 2, 3])
def test_vold_kalman_of_a_sweep_with_known_truth(sweep, poles):
    """Vold and Leuridan, SAE 931288 (1993): amplitude within 0.1 dB, phase within 0.02 rad of the truth."""
    found = track_orders(sweep, RATE_HZ, TIME_S, RPM, list(TRUTH), bandwidth_hz=2.0, poles=poles)
    sure = (found.time_s > found.settle_s) & (found.time_s < 20 - found.settle_s)
    for row, (amplitude, phase) in enumerate(TRUTH.values()):
        error_db = 20 * np.log10(found.amplitude[row, sure] / amplitude)
        assert error_db.mean() == pytest.approx(0.0, abs=0.02)
        assert np.abs(error_db).max() < 0.3
        assert np.angle(found.envelope[row, sure].mean()) == pytest.approx(phase, abs=0.002)


def test_vold_kalman_notices_a_wrong_rate(sweep):
    found = track_orders(sweep, RATE_HZ * 1.002, TIME_S, RPM, [4.0], bandwidth_hz=1.0)
    sure = (found.time_s > 5) & (found.time_s < 15)
    assert np.abs(np.ptp(np.unwrap(found.phase_rad[0, sure]))) > 1.0


@pytest.mark.parametrize(("poles", "constant"), [(1, 0.204862), (2, 0.0652097), (3, 0.0207569)])
def test_constants_of_the_bandwidth(poles, constant):
    """Feldbauer and Höldrich, DAFx-2000: r = c / (B / fs)^p for narrow bands, half power at B / 2."""
    assert vold_kalman_weight(1.0, 1000.0, poles) * (1 / 1000) ** poles == pytest.approx(constant, rel=1e-4)
    r = vold_kalman_weight(300.0, 1000.0, poles)
    response = 1 / (1 + r**2 * (2 * np.sin(np.pi * 150 / 1000)) ** (2 * poles))
    assert response == pytest.approx(np.sqrt(0.5), rel=1e-12)


@pytest.mark.parametrize(("swing_hz", "gain"), [(0.25, 0.9984), (0.5, 0.9748), (1.0, 0.7071), (2.0, 0.1311)])
def test_gain_of_modulation_through_vold_kalman(time_s, turned, swing_hz, gain):
    """1 / (1 + r² (2 sin(pi f / fs))⁴), two poles, half power at 1 Hz (two-sided bandwidth 2 Hz): 0.5 %."""
    x = 0.2 * (1 + 0.5 * np.cos(2 * np.pi * swing_hz * time_s)) * np.cos(2 * np.pi * 10 * turned)
    assert _measured_gain(x, swing_hz, 2) == pytest.approx(gain, rel=0.005)


@pytest.mark.parametrize("poles", [1, 3])
def test_gain_of_modulation_with_other_poles(time_s, turned, poles):
    x = 0.2 * (1 + 0.5 * np.cos(2 * np.pi * 2 * time_s)) * np.cos(2 * np.pi * 10 * turned)
    r = vold_kalman_weight(2.0, RATE_HZ, poles)
    expected = 1 / (1 + r**2 * (2 * np.sin(np.pi * 2 / RATE_HZ)) ** (2 * poles))
    assert _measured_gain(x, 2.0, poles) == pytest.approx(expected, rel=0.005)


def _measured_gain(x: np.ndarray, swing_hz: float, poles: int) -> float:
    found = track_orders(x, RATE_HZ, TIME_S, RPM, [10.0], bandwidth_hz=2.0, poles=poles)
    inner = (found.time_s > 3) & (found.time_s < 17)
    t = found.time_s[inner]
    terms = np.stack([np.ones_like(t), np.cos(2 * np.pi * swing_hz * t), np.sin(2 * np.pi * swing_hz * t)])
    weights = np.linalg.lstsq(terms.T, found.amplitude[0, inner], rcond=None)[0]
    return float(np.hypot(weights[1], weights[2]) / 0.1)


def test_crossing_orders_are_told_apart_where_one_alone_beats(time_s, turned):
    """Order 6 meets a steady 100 Hz tone at 1000 rpm (Vold and others: why orders are solved jointly)."""
    x = 0.5 * np.cos(2 * np.pi * 6 * turned + 0.4) + 0.3 * np.cos(2 * np.pi * 100 * time_s - 1.0)
    both = vold_kalman(x, RATE_HZ, np.stack([6 * turned, 100 * time_s]), bandwidth=2.0)
    alone = vold_kalman(x, RATE_HZ, (6 * turned)[np.newaxis], bandwidth=2.0)
    inner = (both.time_s > 1) & (both.time_s < 19)
    assert np.abs(20 * np.log10(both.amplitude[0, inner] / 0.5)).max() < 0.05
    assert np.abs(20 * np.log10(both.amplitude[1, inner] / 0.3)).max() < 0.05
    assert np.abs(20 * np.log10(alone.amplitude[0, inner] / 0.5)).max() > 1.0


def test_twenty_half_orders_at_once(time_s, turned):
    rng = np.random.default_rng(8)
    orders = np.arange(0.5, 10.5, 0.5)
    amplitude, phase = rng.uniform(0.05, 1, 20), rng.uniform(-np.pi, np.pi, 20)
    x = sum(a * np.cos(2 * np.pi * o * turned + p) for o, a, p in zip(orders, amplitude, phase, strict=True))
    found = track_orders(x, RATE_HZ, TIME_S, RPM, orders, bandwidth_hz=2.0)
    middle = (found.time_s > 2) & (found.time_s < 18)
    assert np.median(found.amplitude[:, middle], axis=1) == pytest.approx(amplitude, rel=0.002)


@needs_rota
def test_order_map_beside_rota(sweep):
    """rota-order 0.3.0, an independent package of order tracking, on the same sweep: 0.05 dB."""
    from rota import maps

    rpm = np.interp(np.arange(len(sweep)) / RATE_HZ, TIME_S, RPM)
    theirs = maps.rpm_order_map(sweep, RATE_HZ, rpm, order_resolution=0.25, max_order=20)
    ours = order_map(resample_to_angle(sweep, RATE_HZ, TIME_S, RPM))
    axis = np.asarray(theirs.axis)
    values = np.abs(theirs.values)
    for order in TRUTH:
        column = np.take(values, int(np.argmin(np.abs(axis - order))), axis=values.shape.index(len(axis)))
        line = ours.power[:, round(order / ours.spacing)]
        assert 10 * np.log10(np.mean(column**2) / line.mean()) == pytest.approx(0.0, abs=0.05)


@needs_rota
def test_vold_kalman_beside_rota(sweep):
    """The same filter (their bandwidth is one-sided), 6 s of the sweep: amplitudes within 0.02 dB."""
    from rota import extract

    part = sweep[: RATE_HZ * 6]
    rpm = np.interp(np.arange(len(part)) / RATE_HZ, TIME_S, RPM)
    theirs = np.asarray(extract.order_waveform(part, RATE_HZ, rpm, list(TRUTH), bandwidth=1.0).envelopes)
    ours = track_orders(part, RATE_HZ, TIME_S, RPM, list(TRUTH), bandwidth_hz=2.0)
    inner = (ours.time_s > 1.5) & (ours.time_s < 4.5)
    at = np.rint(ours.time_s[inner] * RATE_HZ).astype(int)
    for row, (amplitude, _) in enumerate(TRUTH.values()):
        apart = np.abs(ours.envelope[row, inner] - theirs[at, row]) / amplitude
        assert apart.max() < 0.003


@pytest.mark.parametrize(("noise_rms", "most"), [(0.1, 1.2), (1.0, 1.2), (3.0, 1.25)])
def test_frequency_estimate_against_the_cramer_rao_bound(noise_rms, most):
    """Kay, Estimation Theory (1993), example 3.14: A = 1, 8 kHz, 1 s; 300 runs, so 4 % scatter.

    Less than 0.85 of the bound would be as wrong as far more.
    """
    rng = np.random.default_rng(123)
    t = np.arange(8000) / 8000
    errors = []
    for _ in range(300):
        x = np.cos(2 * np.pi * 25.37 * t + rng.uniform(0, 2 * np.pi)) + noise_rms * rng.standard_normal(8000)
        errors.append(estimate_tone(x, 8000, low_hz=20, high_hz=32).frequency_hz - 25.37)
    ratio = np.sqrt(np.mean(np.square(errors))) / frequency_bound_hz(1.0, noise_rms, 8000, 8000)
    assert 0.85 < ratio < most


@pytest.mark.parametrize(("noise_rms", "bound_hz"), [(1.0, 0.00872), (3.0, 0.02615), (0.1, 0.00087)])
def test_the_bound_itself(noise_rms, bound_hz):
    assert frequency_bound_hz(1.0, noise_rms, 8000, 8000) == pytest.approx(bound_hz, abs=5e-6)


@pytest.mark.parametrize(  # four-stroke engines: firing order N / 2, f = order · rpm / 60, exact arithmetic
    ("cylinders", "order", "at_750_hz"),
    [(3, 1.5, 18.75), (4, 2.0, 25.0), (5, 2.5, 31.25), (6, 3.0, 37.5), (8, 4.0, 50.0)],
)
def test_firing_order_of_four_stroke_engines(cylinders, order, at_750_hz):
    from audiodiag.units import firing_order, order_to_frequency_hz

    assert firing_order(cylinders) == order
    assert order_to_frequency_hz(order, 750) == pytest.approx(at_750_hz, abs=1e-9)
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    angle = resample_to_angle(np.cos(2 * np.pi * at_750_hz * t), RATE_HZ, [0, 4], [750, 750])
    found = order_map(angle, resolution=0.25)
    assert found.orders[found.power.mean(axis=0).argmax()] == order
