"""Scores against published values and scikit-learn 1.9.1 (its documentation and its output)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiodiag.classifier.scores import (
    area_under_curve,
    brier_score,
    calibration_curve,
    calibration_error,
    log_loss,
    share_at_least,
)

SAID = np.array([0.95, 0.9, 0.85, 0.8, 0.75, 0.65, 0.6, 0.55, 0.45, 0.3])
TRUE = np.array([1, 1, 1, 0, 1, 1, 0, 0, 1, 0])


def test_log_loss_and_brier_of_four_clips() -> None:
    present, said = np.array([0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3])
    assert log_loss(present, said) == pytest.approx(0.1976349, abs=1e-7)
    assert brier_score(present, said) == pytest.approx(0.0375, abs=1e-12)


def test_log_loss_example_of_the_scikit_learn_documentation() -> None:
    """log_loss(["spam", "ham", "ham", "spam"], [[.1, .9], [.9, .1], [.8, .2], [.35, .65]]) is 0.21616."""
    assert log_loss(np.array([1, 0, 0, 1]), np.array([0.9, 0.1, 0.2, 0.65])) == pytest.approx(
        0.2161619, abs=1e-6
    )


@pytest.mark.parametrize(("bins", "error"), [(5, 0.140), (10, 0.320)])
def test_calibration_error_with_bins_closed_on_the_right(bins: int, error: float) -> None:
    assert calibration_error(TRUE, SAID, bins=bins) == pytest.approx(error, abs=1e-9)


def test_calibration_bins_are_those_of_scikit_learn() -> None:
    from sklearn.calibration import calibration_curve as reference

    true, said = reference(TRUE, SAID, n_bins=5)
    curve = calibration_curve(TRUE, SAID, bins=5)
    np.testing.assert_allclose(curve.said, said)
    np.testing.assert_allclose(curve.true, true)
    assert curve.count.tolist() == [1, 3, 3, 3]


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 6)), min_size=4, max_size=40))
def test_area_under_curve_equals_scikit_learn(pairs: list[tuple[bool, int]]) -> None:
    from sklearn.metrics import roc_auc_score

    truth, score = np.array([p[0] for p in pairs], dtype=float), np.array([p[1] for p in pairs], dtype=float)
    if 0 < truth.sum() < len(truth):
        assert area_under_curve(truth, score) == pytest.approx(roc_auc_score(truth, score), abs=1e-12)
    else:
        assert np.isnan(area_under_curve(truth, score))


def test_scores_of_no_clips_are_unknown() -> None:
    none = np.array([])
    assert all(np.isnan(score(none, none)) for score in (log_loss, brier_score, calibration_error))


def test_share_at_least_counts_the_threshold_itself() -> None:
    assert share_at_least(np.array([0.5, 0.4999, 0.9])) == pytest.approx(2 / 3)
    assert np.isnan(share_at_least(np.array([])))
