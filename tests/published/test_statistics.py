"""Levels, differences of means and scores against published and hand-computed values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.statistics import (
    background_correction_db,
    brier_score,
    effective_degrees_of_freedom,
    expected_calibration_error,
    level_scatter_db,
    log_loss,
    mean_level_db,
    student_quantile,
    subtract_level_db,
    sum_level_db,
    welch_difference,
)


@pytest.mark.parametrize(  # textbook arithmetic of levels
    ("levels_db", "expected"),
    [([60, 60], 63.010), ([60, 50], 60.414), ([70, 67, 65], 72.595), ([60] * 10, 70.000)],
)
def test_sum_of_levels(levels_db, expected):
    assert sum_level_db(levels_db) == pytest.approx(expected, abs=1e-3)


def test_difference_and_mean_of_levels():
    assert subtract_level_db(70, 65) == pytest.approx(68.349, abs=1e-3)
    assert subtract_level_db(63, 60) == pytest.approx(59.979, abs=1e-3)
    assert mean_level_db([60, 66]) == pytest.approx(63.963, abs=1e-3)
    assert math.isnan(subtract_level_db(60, 60))


def test_increments_of_two_levels():
    """Textbook table: what the louder level gains for differences of 0 to 10 dB."""
    gained = [sum_level_db([0, -difference]) for difference in range(11)]
    assert gained == pytest.approx(
        [3.01, 2.54, 2.12, 1.76, 1.46, 1.19, 0.97, 0.79, 0.64, 0.51, 0.41], abs=0.005
    )


def test_background_correction_of_iso_3744():
    found = [background_correction_db(difference) for difference in (3, 4, 5, 6, 8, 10, 15)]
    assert found == pytest.approx([3.02, 2.20, 1.65, 1.26, 0.75, 0.46, 0.14], abs=0.005)


def test_random_error_of_a_band_level():
    """Bendat and Piersol: relative standard deviation of a power 1 / sqrt(B T)."""
    assert [level_scatter_db(bt, 1) for bt in (10, 100, 1000)] == pytest.approx(
        [1.37, 0.434, 0.137], abs=0.004
    )


def test_random_error_of_a_band_level_happens():
    rng = np.random.default_rng(2)
    levels = 10 * np.log10((rng.standard_normal((4000, 200)) ** 2).mean(axis=1))  # B T = 100
    assert levels.std() == pytest.approx(level_scatter_db(100, 1), rel=0.05)


def test_gum_example_h1():
    """GUM (JCGM 100:2008) H.1: 32 nm with 16.7 degrees of freedom, t99(16) = 2.92."""
    parts = [25, 9.7, 2.9, 16.6]
    assert math.hypot(*parts) == pytest.approx(32, rel=0.011)
    assert effective_degrees_of_freedom(parts, [18, 25.6, 50, 2]) == pytest.approx(16.7, rel=0.005)
    assert student_quantile(0.995, 16) == pytest.approx(2.92, abs=0.005)


def test_student_quantiles_of_the_textbooks():
    found = [student_quantile(0.975, freedom) for freedom in (4, 8, 9, 10, 20, 50)]
    assert found == pytest.approx([2.7764, 2.3060, 2.2622, 2.2281, 2.0860, 2.0086], abs=1e-4)


BEFORE, AFTER = [62.1, 61.8, 62.5, 62.0, 61.9], [58.7, 59.1, 58.4, 59.0, 58.9]


def test_welch_difference_of_five_readings_each():
    """Welch (1947), by hand and by two libraries."""
    found = welch_difference(BEFORE, AFTER)
    assert found.difference == pytest.approx(3.2400, abs=1e-9)
    assert found.standard_uncertainty == pytest.approx(0.173205, abs=1e-6)
    assert found.degrees_of_freedom == pytest.approx(7.994315, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((2.84054, 3.63946), abs=1e-5)
    assert found.t == pytest.approx(18.7061, abs=1e-4)
    assert found.p_value == pytest.approx(6.944e-8, rel=1e-3)


def test_welch_difference_beside_scipy():
    from scipy import stats

    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 1, 7), rng.normal(1, 3, 4)
    reference = stats.ttest_ind(a, b, equal_var=False)
    interval = reference.confidence_interval(0.9)
    found = welch_difference(a, b, confidence=0.9)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_welch_difference_of_equal_readings_and_of_too_few():
    assert welch_difference([1, 1], [1, 1]).p_value == 1.0
    assert welch_difference([2, 2], [1, 1]).low == 1.0
    with pytest.raises(UsageError, match="at least two readings on either side"):
        welch_difference([1.0], [2.0, 3.0])


def test_brier_score_and_log_loss_of_the_definition():
    """Brier (1950); y = 0 1 1 0, p = .1 .9 .8 .3."""
    assert brier_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.0375, abs=1e-9)
    assert log_loss([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.1976349, abs=1e-7)


def test_log_loss_of_the_scikit_learn_documentation():
    """y = ham spam spam ham, p(spam) = .1 .9 .8 .35."""
    assert log_loss([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.35]) == pytest.approx(0.2161619, abs=1e-7)


def test_scores_of_three_classes():
    given = [[0.7, 0.2, 0.1], [0.1, 0.6, 0.3], [0.2, 0.3, 0.5], [0.5, 0.4, 0.1]]
    assert log_loss([0, 1, 2, 1], given) == pytest.approx(0.6192346, abs=1e-7)
    assert brier_score([0, 1, 2, 1], given) == pytest.approx(0.350, abs=1e-9)


@pytest.mark.parametrize(("bins", "expected"), [(5, 0.140), (10, 0.320)])
def test_expected_calibration_error_with_values_on_the_edges(bins, expected):
    """Guo et al., ICML 2017, equation 3; .6 and .8 lie on edges and belong to the lower bin."""
    confidence = [0.95, 0.9, 0.85, 0.8, 0.75, 0.65, 0.6, 0.55, 0.45, 0.3]
    correct = [1, 1, 1, 0, 1, 1, 0, 0, 1, 0]
    assert expected_calibration_error(confidence, correct, bins=bins) == pytest.approx(expected, abs=1e-9)
