"""Bands cut from one transform keep time, amplitude and power."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.orders.envelope import band_envelope, envelope_order_spectrum
from audiodiag.signal.whole import whole_spectrum

RATE_HZ = 8000


def _burst(at_s: float) -> np.ndarray:
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    return np.exp(-0.5 * ((t - at_s) / 0.02) ** 2) * np.cos(2 * np.pi * 1000 * t)


@pytest.mark.parametrize("at_s", [0.5, 1.3, 3.7])
def test_an_envelope_peaks_when_the_burst_sounds(at_s):
    found = band_envelope(_burst(at_s), RATE_HZ, (700, 1300))
    assert found.time_s[np.argmax(found.values)] == pytest.approx(at_s, abs=1.0 / found.rate_hz)
    assert found.values.max() == pytest.approx(1.0, abs=0.01)
    assert found.time_s[0] >= 0.0
    assert found.time_s[-1] <= 4.0


@pytest.mark.parametrize("at_s", [0.5, 1.3, 3.7])
def test_a_low_passed_clip_keeps_its_time(at_s):
    found = whole_spectrum(np.abs(_burst(at_s)), RATE_HZ).low_passed(100, 150, 1000)
    assert found.time_s[np.argmax(found.values)] == pytest.approx(at_s, abs=1.0 / found.rate_hz)


def test_spans_of_an_envelope_are_spans_of_the_clip():
    rng = np.random.default_rng(2)
    t = np.arange(RATE_HZ * 20) / RATE_HZ
    swing = np.where(t < 10, 0.0, 0.8)
    x = (1 + swing * np.cos(2 * np.pi * 12.5 * 2.4 * t)) * rng.standard_normal(len(t))
    options = {"max_order": 10.0, "resolution": 0.2}
    early, late = (
        envelope_order_spectrum(x, RATE_HZ, (1000, 3000), [0, 20], [750, 750], spans_s=[span], **options)
        for span in ((0.0, 9.5), (10.5, 20.0))
    )
    assert late.line_amplitude(2.4) > 8 * early.line_amplitude(2.4)
