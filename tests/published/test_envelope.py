"""Kurtosis, spectral kurtosis, squared envelope and band choice against closed forms and published cases.

Definitions: Antoni, MSSP 20(2) 2006 (spectral kurtosis) and 21(1) 2007 (fast kurtogram); Randall and Antoni,
MSSP 25(2) 2011 (squared envelope spectrum).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from audiodiag.orders.envelope import (
    band_envelope,
    best_band,
    envelope_order_spectrum,
    kurtosis,
    spectral_kurtosis,
    squared_envelope_spectrum,
)
from audiodiag.signal.whole import BandSignal


def test_kurtosis_of_sine_uniform_and_gaussian():
    """Textbook values 1.5, 1.8 and 3; the Gaussian one scatters with sqrt(24 / N)."""
    rng = np.random.default_rng(3)
    assert kurtosis(np.sin(2 * np.pi * np.arange(100_000) / 1000)) == pytest.approx(1.5, abs=1e-9)
    assert kurtosis(rng.uniform(-1, 1, 1_000_000)) == pytest.approx(1.8, abs=0.005)
    assert kurtosis(rng.standard_normal(1_000_000)) == pytest.approx(3.0, abs=4 * np.sqrt(24 / 1e6))


def test_spectral_kurtosis_of_stationary_noise_is_zero_with_its_known_scatter():
    """Antoni 2006: 0 with standard deviation 2 / sqrt(K)."""
    found = spectral_kurtosis(np.random.default_rng(5).standard_normal(512 * 937), 48000)
    inner = found.kurtosis[2:-2]
    assert found.frames == 937
    assert abs(inner.mean()) < 4 * 2 / np.sqrt(937 * len(inner) / 1.5)
    assert inner.std() == pytest.approx(2 / np.sqrt(937), rel=0.25)
    assert np.abs(inner).max() < 5.5 * 2 / np.sqrt(937)


def test_spectral_kurtosis_of_a_steady_sine_is_minus_one():
    """Antoni 2006: -1 for a constant amplitude in the line."""
    found = spectral_kurtosis(np.sin(2 * np.pi * np.arange(512 * 200) / 16), 48000)
    assert found.kurtosis[32] == pytest.approx(-1.0, abs=1e-3)


def test_spectral_kurtosis_of_a_sine_in_noise_falls_with_the_square_of_the_noise():
    """Antoni 2006: SK = SK_signal / (1 + rho)², rho the noise-to-signal power ratio in the line."""
    rng = np.random.default_rng(11)
    n, window = 512 * 4000, np.hanning(513)[:-1]
    sigma = 2.0
    x = np.sin(2 * np.pi * np.arange(n) / 16) + sigma * rng.standard_normal(n)
    noise_to_signal = sigma**2 * (window**2).sum() / (window.sum() / 2) ** 2
    expected = -1.0 / (1.0 + noise_to_signal) ** 2
    found = spectral_kurtosis(x, 48000).kurtosis[32]
    assert found == pytest.approx(expected, abs=4 * 2 / np.sqrt(4000))
    assert expected < -0.8


@pytest.mark.parametrize("depth", [0.1, 0.25, 0.5, 0.6, 1.0])
def test_squared_envelope_spectrum_of_an_amplitude_modulated_tone(depth):
    """(1 + m cos) squared: 1 + m²/2, 2 m, m²/2; the whole way through the band filter."""
    rate, carrier, swing = 8000, 2000.0, 20.0
    t = np.arange(rate * 10) / rate
    x = (1 + depth * np.cos(2 * np.pi * swing * t)) * np.cos(2 * np.pi * carrier * t)
    found = band_envelope(x, rate, (1500, 2500))
    keep = (found.time_s > 1.0) & (found.time_s < 9.0)
    spectrum = squared_envelope_spectrum(BandSignal(np.asarray(found.values)[keep], found.rate_hz, 1.0))
    window = np.hanning(keep.sum() + 2)[1:-1]
    square = np.asarray(found.values)[keep] ** 2
    seconds = found.time_s[keep]

    def line(frequency_hz: float) -> float:
        turned = np.exp(-2j * np.pi * frequency_hz * seconds)
        return float(np.abs((square * window * turned).sum()) / window.sum() * 2)

    assert spectrum.amplitude[0] == pytest.approx(1 + depth**2 / 2, abs=1e-3)
    assert line(swing) == pytest.approx(2 * depth, abs=1e-3)
    assert line(2 * swing) == pytest.approx(depth**2 / 2, abs=1e-3)


def test_squared_envelope_spectrum_of_the_definition():
    """m = 0.6: 1.18, 1.2, 0.18 exactly."""
    swing = 1 + 0.6 * np.cos(2 * np.pi * np.arange(4000) / 100)
    found = squared_envelope_spectrum(BandSignal(swing, 1000.0, 0.0))
    assert found.amplitude[[0, 40, 80]] == pytest.approx([1.18, 1.2, 0.18], abs=1e-9)
    assert found.frequency_hz[40] == pytest.approx(10.0)


@pytest.mark.parametrize("depth", [0.1, 0.25, 0.5, 1.0])
def test_sidebands_of_an_amplitude_modulated_tone(depth):
    """20 lg(m / 2) relative to the carrier: -26.02, -18.06, -12.04, -6.02 dB."""
    from audiodiag.orders.angle import AngleSignal
    from audiodiag.orders.spectrum import order_spectrum

    turn = np.arange(64 * 400) / 64
    x = (1 + depth * np.cos(2 * np.pi * 1.2 * turn)) * np.cos(2 * np.pi * 12 * turn)
    found = order_spectrum(AngleSignal(x, 64, 0.0, turn / 12.5, 28.0))
    side_db = 10 * np.log10(found.power_at([10.8, 13.2]) / found.power_at(12.0))
    printed = {0.1: -26.02, 0.25: -18.06, 0.5: -12.04, 1.0: -6.02}[depth]
    assert side_db == pytest.approx([printed] * 2, abs=0.05)


def _simulated_bearing(snr_db: float, seed: int) -> np.ndarray:
    """Simulated: 6 s at 20 480 Hz, impacts at 97.3 Hz ringing at 6 kHz, white noise, a 150 Hz tone."""
    rate, rng = 20480, np.random.default_rng(seed)
    n = rate * 6
    period = 1 / 97.3
    moments = np.arange(1, int(6 / period) - 1) * period
    moments = moments + 0.01 * period * rng.standard_normal(len(moments))
    x = np.zeros(n)
    for moment in moments:
        first = int(np.ceil(moment * rate))
        since = np.arange(min(400, n - first)) / rate + (first / rate - moment)
        swing = 2 * np.pi * 6000 * since
        x[first : first + len(since)] += np.exp(-0.05 * swing) * np.sin(swing * np.sqrt(1 - 0.05**2))
    noise = rng.standard_normal(n) * np.sqrt(np.mean(x**2) / 10 ** (snr_db / 10))
    return x + noise + 0.2 * np.sin(2 * np.pi * 150 * np.arange(n) / rate)


@pytest.mark.parametrize("snr_db", [0, -6, -10])
@pytest.mark.parametrize("seed", [0, 1])
def test_simulated_bearing_the_band_and_the_line(snr_db, seed):
    """Antoni 2007: a fast kurtogram finds 5760 to 5973 Hz here; the line lies within a bin of 97.3 Hz."""
    x = _simulated_bearing(snr_db, seed)
    band = best_band(x, 20480)
    assert band.centre_hz == pytest.approx(6000, abs=600)
    assert band.kurtosis > 10 * band.noise_scatter
    found = squared_envelope_spectrum(band_envelope(x, 20480, (band.low_hz, band.high_hz)))
    audible = (found.frequency_hz > 10) & (found.frequency_hz < 1000)
    peak_hz = found.frequency_hz[audible][found.amplitude[audible].argmax()]
    assert peak_hz == pytest.approx(97.3, abs=found.spacing_hz)


def test_simulated_bearing_in_the_order_domain():
    """At 1500 rpm the impacts are order 3.892 and its multiples, and nothing but those."""
    x = _simulated_bearing(-6, 0)
    found = envelope_order_spectrum(x, 20480, (5000, 7000), [0, 6], [1500, 1500])
    order = 97.3 / 25
    peak = found.spectrum.orders[10 + found.spectrum.power[10:].argmax()]
    assert peak == pytest.approx(order, abs=found.spectrum.spacing)
    assert (found.above_floor_db([order, 2 * order, 3 * order]) > 15).all()
    assert (found.above_floor_db([2.6, 4.6, 10.1]) < 12).all()


REAL_RECORD = Path(__file__).parents[3] / "shared" / "data" / "bearing" / "inner_race.mat"


@pytest.mark.skipif(
    not REAL_RECORD.is_file(), reason="the published inner-race record is not beside the project"
)
def test_real_inner_race_record_of_the_mfpt_society():
    """MFPT Society fault data, inner race: lines at 118.0, 235.67, 353.67 Hz; kinematic 118.875 Hz.

    48 828 Hz, 3.000 s, shaft 25 Hz, kurtosis 51.05. The slip of -0.74 % is the record's own.
    """
    from scipy import io

    x = np.ravel(io.loadmat(REAL_RECORD)["xInner"]).astype(float)
    rate = 48828
    assert len(x) == 146_484
    assert kurtosis(x) == pytest.approx(51.05, abs=0.01)
    envelope = band_envelope(x, rate, (10.0, rate / 2))
    found = squared_envelope_spectrum(envelope)
    inside = (found.frequency_hz > 20) & (found.frequency_hz < 600)
    floor = np.median(found.amplitude[inside])
    for line_hz, above in ((118.0, 20.5), (235.67, 18.4), (353.67, 13.8)):
        near = np.abs(found.frequency_hz - line_hz) < 8
        peak = found.amplitude[near].max()
        assert found.frequency_hz[near][found.amplitude[near].argmax()] == pytest.approx(
            line_hz, abs=found.spacing_hz
        )
        assert peak / floor == pytest.approx(above, rel=0.1)
    # A fast kurtogram (Antoni 2007) with its own filters puts the band at 13 732.9 Hz.
    band = best_band(x, rate, levels=7)
    assert band.low_hz < 13_732.9 < band.high_hz
    assert band.kurtosis > 50
