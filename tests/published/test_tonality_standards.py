"""Tonality against the numbers printed in the standards.

The values were transcribed from the standards in the public test data of an acoustics library and recomputed
there; each table names its standard and clause.
"""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.orders.audibility import (
    audibility,
    audibility_from_levels,
    audible_tones,
    mean_audibility_db,
    tonal_audibility_2007_db,
)
from audiodiag.orders.critical_band import (
    critical_band_ecma,
    critical_band_iso,
    critical_bandwidth_hz,
    proximity_hz,
)
from audiodiag.orders.tonality import prominence_limit_db, tone_limit_db, tone_ratios


def _row(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


# ISO/PAS 20065:2016, Annex E, Table E.1: narrow-band spectrum of a combustion engine, A-weighted, Hann,
# line spacing 2.7 Hz, one critical band around 137.3 Hz.
ENGINE_HZ = _row(
    "96.9 99.6 102.3 105.0 107.7 110.4 113.0 115.7 118.4 121.1 123.8 126.5 129.2 131.9 134.6 137.3 "
    "140.0 142.7 145.3 148.0 150.7 153.4 156.1 158.8 161.5 164.2 166.9 169.6 172.3 175.0 177.6 180.3 "
    "183.0 185.7 188.4 191.1 193.8 196.5"
)
ENGINE_DB = _row(
    "49.40 50.68 50.09 53.37 44.47 50.91 51.41 59.40 64.54 57.57 51.02 50.76 59.93 62.94 58.49 65.87 "
    "62.66 50.25 51.32 52.30 52.58 53.15 67.04 67.27 57.40 57.17 52.56 51.39 52.49 47.68 51.26 49.03 "
    "61.42 59.52 48.43 50.84 48.20 55.95"
)

# DIN 45681:2005, example I.3, Table I.9: 39 lines, spacing 2.6917 Hz.
DIN_HZ = 253.0 + np.arange(39) * (355.3 - 253.0) / 38
DIN_DB = _row(
    "37.83 38.45 38.23 38.74 40.37 47.09 45.59 43.27 46.73 46.54 51.81 49.74 50.95 52.50 55.45 55.32 "
    "61.55 66.68 64.77 57.80 55.75 43.29 46.26 47.47 46.22 40.64 38.10 42.13 46.34 39.03 37.42 42.59 "
    "41.93 41.81 50.24 52.30 48.38 36.27 40.63"
)


def test_engine_spectrum_of_iso_pas_20065_annex_e():
    found = audibility(ENGINE_HZ, ENGINE_DB, int(np.argmin(np.abs(ENGINE_HZ - 137.3))))
    assert found.noise_line_db == pytest.approx(49.22, abs=0.02)
    assert found.tone_db == pytest.approx(67.96, abs=0.02)
    assert found.noise_band_db == pytest.approx(64.98, abs=0.05)
    assert found.masking_db == pytest.approx(-2.02, abs=0.005)
    assert found.audibility_db == pytest.approx(4.99, abs=0.03)


def test_engine_spectrum_of_iso_pas_20065_annex_e_has_three_tones():
    found = audible_tones(ENGINE_HZ, ENGINE_DB)
    assert [tone.frequency_hz for tone in found] == pytest.approx([118.4, 137.3, 158.8])
    together = 10 * np.log10(sum(10 ** (tone.tone_db / 10) for tone in found))
    assert together == pytest.approx(72.15, abs=0.02)


def test_din_45681_example_i3():
    found = audibility(DIN_HZ, DIN_DB, int(np.argmin(np.abs(DIN_HZ - 298.8))))
    assert found.noise_line_db == pytest.approx(41.71, abs=0.02)
    assert found.tone_db == pytest.approx(68.10, abs=0.02)
    assert found.noise_band_db == pytest.approx(57.68, abs=0.02)
    assert found.audibility_db == pytest.approx(12.52, abs=0.02)


@pytest.mark.parametrize(
    ("frequency_hz", "noise_line_db", "tone_db", "printed_db"),
    [
        (118.4, 48.91, 64.56, 1.92),
        (137.3, 49.22, 67.96, 4.99),
        (158.8, 50.50, 68.63, 4.37),
        (314.9, 52.85, 68.50, 1.78),
        (433.4, 58.29, 73.17, 0.87),
        (592.2, 59.53, 78.31, 4.55),
        (629.8, 59.71, 75.00, 1.01),
        (643.3, 61.98, 79.75, 3.47),
        (1582.7, 54.16, 71.07, 0.73),
    ],
)
def test_nine_tones_of_iso_pas_20065_table_e2(frequency_hz, noise_line_db, tone_db, printed_db):
    found = audibility_from_levels(frequency_hz, tone_db, noise_line_db, 2.7)
    assert found == pytest.approx(printed_db, abs=0.03)


def test_mean_of_five_spectra_of_iso_pas_20065_annex_e():
    assert mean_audibility_db([9.18, 6.04, 7.46, 2.67, 7.17]) == pytest.approx(6.96, abs=0.05)


def test_a_spectrum_without_a_tone_counts_as_minus_ten_in_iso_pas_20065():
    assert mean_audibility_db([np.nan, np.nan]) == pytest.approx(-10.0)


@pytest.mark.parametrize(  # DIN 45681:2005, Table A.1
    ("frequency_hz", "printed_hz"),
    [(100, 101), (350, 109), (570, 122), (1000, 162), (2150, 325), (4000, 685), (8500, 1851), (10500, 2463)],
)
def test_critical_bandwidths_of_din_45681_table_a1(frequency_hz, printed_hz):
    assert critical_bandwidth_hz(frequency_hz) == pytest.approx(printed_hz, abs=0.5)


def test_critical_band_of_ecma_418_1_clause_10():
    assert critical_bandwidth_hz(500) == pytest.approx(117.3, abs=0.05)
    assert critical_bandwidth_hz(1000) == pytest.approx(162.2, abs=0.05)
    band = critical_band_ecma(1000)
    assert band.low_hz == pytest.approx(922.2, abs=0.05)
    assert band.high_hz == pytest.approx(1084.4, abs=0.05)


def test_critical_band_of_iso_pas_20065_is_geometric_also_below_500_hz():
    band = critical_band_iso(137.3)
    assert np.sqrt(band.low_hz * band.high_hz) == pytest.approx(137.3)
    assert band.high_hz - band.low_hz == pytest.approx(float(critical_bandwidth_hz(137.3)))


def test_proximity_of_ecma_418_1_clause_11_6():
    assert proximity_hz([150, 850]) == pytest.approx([23.0, 63.84], abs=0.01)


@pytest.mark.parametrize(  # ECMA-418-1:2024: 8 dB and 8.33 dB a decade, 9 dB and 10 dB a decade
    ("frequency_hz", "tone_db", "prominence_db"),
    [
        (100, 16.33, 19.00),
        (150, 14.86, 17.24),
        (200, 13.82, 15.99),
        (250, 13.02, 15.02),
        (500, 10.51, 12.01),
        (1000, 8.0, 9.0),
        (5000, 8.0, 9.0),
    ],
)
def test_limits_of_ecma_418_1(frequency_hz, tone_db, prominence_db):
    assert tone_limit_db(frequency_hz) == pytest.approx(tone_db, abs=0.01)
    assert prominence_limit_db(frequency_hz) == pytest.approx(prominence_db, abs=0.01)


@pytest.mark.parametrize(  # ISO 1996-2:2007, Annex C, printed examples
    ("tone_db", "noise_db", "frequency_hz", "printed_db"),
    [(46.7, 37.3, 4000, 13.7), (54.1, 45.2, 430, 11.1), (53.6, 45.5, 755, 10.7)],
)
def test_examples_of_iso_1996_2_2007_annex_c(tone_db, noise_db, frequency_hz, printed_db):
    assert tonal_audibility_2007_db(tone_db, noise_db, frequency_hz) == pytest.approx(printed_db, abs=0.05)


def _averaged(x: np.ndarray, rate_hz: int) -> np.ndarray:
    """Mean squares per 1 Hz line, Hann, half overlapped."""
    window = np.hanning(rate_hz + 1)[:-1]
    power = [
        np.abs(np.fft.rfft(x[start : start + rate_hz] * window) / window.sum()) ** 2 * 2
        for start in range(0, len(x) - rate_hz + 1, rate_hz // 2)
    ]
    return np.mean(power, axis=0)


@pytest.fixture(scope="module")
def noise() -> np.ndarray:
    return 0.05 * np.random.default_rng(7).standard_normal(48000 * 20)


@pytest.mark.parametrize(
    ("frequency_hz", "rms", "tone_db", "prominence_db"),
    # A sine in white noise, rms 0.05 at 48 kHz, in closed form from ECMA-418-1 clauses 10 to 12:
    # TNR = 10 lg(a² / (N0 dfc)), PR = 10 lg((a² + N0 dfM) / (0.5 N0 (dfL + dfU))).
    [
        (1000, 0.10, 27.722, 27.833),
        (2000, 0.05, 19.020, 18.853),
        (4000, 0.05, 15.443, 15.400),
        (500, 0.05, 23.111, 23.118),
        (250, 0.05, 23.612, 23.565),
        (150, 0.05, 23.732, 23.699),
    ],
)
def test_sine_in_white_noise_closed_form(noise, frequency_hz, rms, tone_db, prominence_db):
    t = np.arange(len(noise)) / 48000
    power = _averaged(noise + rms * np.sqrt(2) * np.sin(2 * np.pi * (frequency_hz + 0.3) * t), 48000)
    found = tone_ratios(power, 1.0, [frequency_hz])
    assert found.tone_to_noise_db[0] == pytest.approx(tone_db, abs=0.3)
    assert found.prominence_db[0] == pytest.approx(prominence_db, abs=0.3)


@pytest.mark.parametrize("frequency_hz", [150.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0])
def test_sine_in_noise_without_scatter(frequency_hz):
    """The same closed form on the expected spectrum: no noise of the estimate, so 0.02 dB."""
    density, rms = 0.05**2 / 24000, 0.05
    power = np.full(24001, 1.5 * density)
    power[int(frequency_hz) + np.array([-1, 0, 1])] += rms**2 * np.array([0.25, 1.0, 0.25])
    found = tone_ratios(power, 1.0, [frequency_hz])
    expected = 10 * np.log10(rms**2 / (density * critical_bandwidth_hz(frequency_hz)))
    assert found.tone_to_noise_db[0] == pytest.approx(expected, abs=0.02)


def test_two_tones_near_each_other_are_rated_as_one():
    """ECMA-418-1 clause 11.6: two equal tones 30 Hz apart at 1 kHz give 3.01 dB more than one."""
    power = np.full(24001, 1e-7)
    power[[1000, 1030]] += 1e-3
    single = np.full(24001, 1e-7)
    single[1000] += 1e-3
    options = {"noise_lines": 1.0, "tone_half_width_lines": 0.5}
    both = tone_ratios(power, 1.0, [1000.0, 1030.0], **options).tone_to_noise_db
    alone = tone_ratios(single, 1.0, [1000.0], **options).tone_to_noise_db
    assert both[0] - alone[0] == pytest.approx(3.01, abs=0.01)


def test_tones_below_1000_hz_further_apart_than_the_proximity_are_rated_apart():
    """ECMA-418-1 clause 11.6: at 150 Hz the spacing is 23 Hz; 30 Hz apart neither counts to the other."""
    options = {"noise_lines": 1.0, "tone_half_width_lines": 0.5}
    power = np.full(24001, 1e-7)
    power[[150, 180]] += 1e-3
    single = np.full(24001, 1e-7)
    single[150] += 1e-3
    apart = tone_ratios(power, 1.0, [150.0, 180.0], **options).tone_to_noise_db
    alone = tone_ratios(single, 1.0, [150.0], **options).tone_to_noise_db
    assert apart[0] == pytest.approx(alone[0], abs=0.01)
    unaware = tone_ratios(power, 1.0, [150.0], **options).tone_to_noise_db
    assert unaware[0] < alone[0] - 10


def test_rows_with_spacings_of_their_own_give_what_each_gives_alone():
    rng = np.random.default_rng(5)
    power = rng.chisquare(20, (3, 4000))
    spacing, tones = np.array([0.5, 1.0, 2.0]), np.array([[200.0, 800.0], [300.0, 900.0], [400.0, 3000.0]])
    together = tone_ratios(power, spacing, tones)
    for row in range(3):
        alone = tone_ratios(power[row], float(spacing[row]), tones[row])
        assert together.tone_to_noise_db[row] == pytest.approx(alone.tone_to_noise_db)
        assert together.prominence_db[row] == pytest.approx(alone.prominence_db)
