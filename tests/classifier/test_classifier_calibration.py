"""Calibration laws against scikit-learn and a known distortion; conformal limits against the law."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.classifier.calibrate import (
    Calibration,
    believed,
    calibrate,
    fit_law,
    simplest_within_one_error,
)
from audiodiag.classifier.conformal import conformal_limit, learn_limits, limit_index
from audiodiag.classifier.families import log_odds, probability_of
from audiodiag.classifier.scores import calibration_error, log_loss


def said_and_true(count: int, seed: int, *, slope: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Give log-odds that exaggerate by ``slope``, and the truths that they should have told."""
    rng = np.random.default_rng(seed)
    honest = rng.normal(-0.5, 2.0, count)
    return honest * slope, (rng.random(count) < probability_of(honest)).astype(float)


@pytest.mark.parametrize("law", ["platt", "beta", "isotonic"])
def test_each_law_mends_exaggerated_log_odds(law: str) -> None:
    odds, present = said_and_true(6000, 1, slope=3.0)
    mended = fit_law(law, odds[:3000], present[:3000], np.ones(3000))
    before, after = probability_of(odds[3000:]), mended.probability(odds[3000:])
    assert calibration_error(present[3000:], before) > 0.08
    assert calibration_error(present[3000:], after) < 0.03
    assert log_loss(present[3000:], after) < log_loss(present[3000:], before) - 0.1


def test_platt_finds_the_slope_and_offset() -> None:
    odds, present = said_and_true(20000, 2, slope=2.0)
    slope, offset = fit_law("platt", odds, present, np.ones(20000)).numbers
    assert slope == pytest.approx(0.5, abs=0.03)
    assert offset == pytest.approx(0.0, abs=0.06)


def test_isotonic_is_scikit_learns_staircase_drawn_in_by_half_a_clip() -> None:
    from sklearn.isotonic import IsotonicRegression

    odds, present = said_and_true(400, 3)
    ours = fit_law("isotonic", odds, present, np.ones(400)).probability(odds)
    theirs = IsotonicRegression(out_of_bounds="clip").fit(odds, present).predict(odds)
    sizes = np.array([(theirs == step).sum() for step in theirs])
    np.testing.assert_allclose(ours, (theirs * sizes + 0.5) / (sizes + 1.0), atol=1e-9)


def test_a_falling_relation_is_not_believed() -> None:
    odds, present = said_and_true(500, 4)
    for law in ("platt", "beta"):
        p = fit_law(law, -odds, present, np.ones(500)).probability(np.array([-3.0, 0.0, 3.0]))
        assert np.all(np.diff(p) >= -1e-12)


def test_the_plain_law_is_kept_where_nothing_is_gained() -> None:
    odds, present = said_and_true(1500, 5, slope=1.7)
    assert calibrate(odds, present, np.arange(1500) % 5).law == "platt"


def test_a_calibration_returns_from_its_plain_numbers() -> None:
    law = fit_law("isotonic", *said_and_true(200, 6), np.ones(200))
    again = Calibration.from_plain(law.to_plain())
    odds = np.linspace(-5, 5, 11)
    assert again.probability(odds).tolist() == law.probability(odds).tolist()
    with pytest.raises(ValueError, match="'platt' with 3 numbers"):
        Calibration.from_plain({"law": "platt", "numbers": [1, 2, 3]})


@pytest.mark.parametrize(("count", "k", "mean", "spread"), [(99, 90, 0.9, 0.02985), (20, 19, 0.9048, 0.0626)])
def test_conformal_coverage_follows_its_beta_law(count: int, k: int, mean: float, spread: float) -> None:
    """Coverage over draws is Beta(k, n + 1 - k): Vovk et al.; Angelopoulos and Bates, arXiv 2107.07511."""
    assert limit_index(count, 0.1) == k
    rng = np.random.default_rng(0)
    covered = [conformal_limit(rng.random(count), alpha=0.1) for _ in range(8000)]
    assert np.mean(covered) == pytest.approx(mean, abs=0.0025)
    assert np.std(covered) == pytest.approx(spread, rel=0.04)


def test_below_nine_clips_nothing_can_be_ruled_out() -> None:
    assert conformal_limit(np.zeros(8), alpha=0.1) == 1.0
    assert conformal_limit(np.zeros(9), alpha=0.1) == 0.0


def test_limits_cover_each_truth_by_itself() -> None:
    odds, present = said_and_true(6000, 7)
    p = probability_of(odds)
    limits = learn_limits(present[:3000], p[:3000], alpha=0.1)
    for truth, word in ((1, "present"), (0, "absent")):
        answers = [limits.answer(float(x)) for x in p[3000:][present[3000:] == truth]]
        assert np.mean([a in (word, "either") for a in answers]) == pytest.approx(0.9, abs=0.02)


def test_what_is_said_in_two_ways_counts_half_each() -> None:
    odds, present = said_and_true(400, 8)
    near, far = probability_of(1.5 * odds), probability_of(0.5 * odds)
    limits = learn_limits(present, near, far)
    assert learn_limits(present, near, near) == learn_limits(present, near)
    for truth, limit in ((1, limits.present), (0, limits.absent)):
        said = np.stack([near, far])[:, present == truth]
        assert np.mean(np.abs(truth - said) <= limit) == pytest.approx(0.9, abs=0.02)
    few = learn_limits(np.r_[np.ones(8), np.zeros(9)], np.full(17, 0.5), np.full(17, 0.4))
    assert (few.present, few.absent) == (1.0, 0.5), "two ways make no more clips of eight"


def test_log_odds_of_the_limits() -> None:
    assert (
        learn_limits(np.r_[np.ones(20), np.zeros(20)], np.r_[np.full(20, 0.9), np.full(20, 0.2)]).answer(
            float(probability_of(log_odds(np.array([0.95])))[0])
        )
        == "present"
    )


def test_what_is_said_at_a_wrong_speed_is_believed_less() -> None:
    rng = np.random.default_rng(5)
    odds, present = said_and_true(4000, 4)
    right = (rng.random(4000) < 0.7).astype(float)
    odds = np.where(right > 0.5, odds, rng.permutation(odds))  # a wrong speed says nothing
    trust = np.where(right > 0.5, 0.95, 0.05)[:, None]
    how = {"weight": np.ones(4000), "right": right, "fewest": 16}
    law = believed(odds, present, np.arange(4000) % 5, trust=0, **how)
    one = believed(odds, present, np.arange(4000) % 5, trust=None, **how)
    said = law.probability(odds, trust)
    assert log_loss(present, said) < log_loss(present, one.probability(odds, trust)) - 0.02
    lost = law.probability(np.array([6.0]), np.array([[0.0]]))[0]
    assert lost == pytest.approx(present.mean(), abs=0.1), "without a speed only the share is left"
    assert law.probability(np.array([6.0]), np.array([[np.nan]]))[0] == lost
    assert law.probability(np.array([6.0]), np.array([[1.0]]))[0] > 0.95


def test_rows_of_one_clip_make_no_more_certain() -> None:
    """The same 100 clips four times: the difference is no clearer for it."""
    rng = np.random.default_rng(8)
    plain, scatter = rng.random(100), rng.standard_normal(100)
    lost = {"plain": plain, "fancy": plain - 0.05 + 0.8 * (scatter - scatter.mean())}
    names = ("plain", "fancy")
    fancy = np.mean(lost["plain"] - lost["fancy"])
    assert 0.0 < fancy < np.std(lost["plain"] - lost["fancy"]) / 10.0, "within one error of 100 clips"
    again = {name: np.tile(each, 4) for name, each in lost.items()}
    assert fancy > np.std(lost["plain"] - lost["fancy"]) / 20.0, "beyond that of 400"
    assert simplest_within_one_error(lost, names, np.ones(100)) == "plain"
    assert simplest_within_one_error(again, names, np.ones(400)) == "fancy"
    assert simplest_within_one_error(again, names, np.ones(400), np.tile(np.arange(100), 4)) == "plain"


def test_a_few_clips_at_wrong_speeds_make_no_law() -> None:
    odds, present = said_and_true(400, 6)
    right = np.ones(400)
    right[:20] = 0.0
    law = believed(odds, present, np.arange(400) % 5, weight=np.ones(400), right=right, trust=0, fewest=16)
    assert law.astray is None
