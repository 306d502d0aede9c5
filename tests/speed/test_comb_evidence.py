"""Evidence of lines in units of the clip's own scatter, on drawn order spectra with lines that are known."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.speed.comb_evidence import (
    EVIDENCE_NAMES,
    FAMILIES,
    evidence_features,
    line_evidence,
    line_scores,
    line_terms,
)

STEP = 1 / 96


def spectrum(*orders, height=4.0, scatter=1.0, seed=0):
    """Noise of this scatter with lines so many scatters high."""
    levels = np.random.default_rng(seed).normal(size=32 * 96) * scatter
    for order in orders:
        levels[round(order / STEP)] += height * scatter
    return line_scores(levels, STEP)


def test_scatter_of_the_clip_does_not_count():
    small, large = (spectrum(2, 4, 6, scatter=s) for s in (0.2, 3.0))
    assert small == pytest.approx(large, rel=1e-9)


def test_faint_half_orders_together_tell_six_cylinders_from_four():
    firing = [3.0 * k for k in range(1, 6)]
    half = [h / 2 for h in range(1, 33) if h % 6]
    scores = spectrum(*firing, height=12.0, seed=1)
    scores = np.maximum(scores, spectrum(*half, height=3.0, seed=2))
    terms = line_terms(scores)
    six, four = line_evidence(terms, STEP, 1.0, 6), line_evidence(terms, STEP, 1.5, 4)
    assert six[2:].sum() > four[2:].sum() + 10.0


def test_a_family_that_is_silent_costs_little():
    scores = spectrum(*(2.0 * k for k in range(1, 9)), height=12.0, seed=3)
    silent = line_evidence(line_terms(scores), STEP, 1.0, 4)[FAMILIES.index("half")]
    assert -2.0 <= silent < 4.0


def test_readings_that_fire_alike_say_the_same_of_firing_lines_up_to_one_order_of_the_track():
    terms = line_terms(spectrum(*(3.0 * k for k in range(1, 8)), height=12.0, seed=4))
    slow, fast = (line_evidence(terms, STEP, 6 / n, n, top=24.0)[:2] for n in (8, 3))
    assert slow == pytest.approx(fast)
    slow, fast = (line_evidence(terms, STEP, 6 / n, n)[:2].sum() for n in (8, 3))
    assert fast > slow + 5.0


def test_evidence_of_a_family_is_the_mixture_over_its_shares():
    scores = spectrum(2, 4, 6, seed=5)
    lines = np.exp(line_terms(scores)[:, [round(o / STEP) for o in (1.0, 3.0, 5.0, 7.0)]]).prod(axis=1)
    found = line_evidence(line_terms(scores), STEP, 1.0, 4, top=8.0)[FAMILIES.index("half_firing")]
    assert found == pytest.approx(np.log(lines.mean()))


def test_lines_without_an_engine_are_not_evidence():
    found = [line_evidence(line_terms(spectrum(seed=s)), STEP, 1.0, 4).sum() for s in range(20)]
    assert np.median(found) < 1.0


def test_rivals_are_those_that_fire_as_often():
    evidence = np.zeros((3, 4, len(FAMILIES)))
    evidence[0, :, 4] = 10.0
    speed, cylinders = np.array([800.0, 1200.0, 1700.0]), np.array([6, 4, 4])
    table = evidence_features(evidence, speed, cylinders)
    assert table.shape == (3, len(EVIDENCE_NAMES))
    before = table[:, EVIDENCE_NAMES.index("rhythm_before_rival")]
    assert before[0] > 15.0 > 0.0 > before[1]
    assert before[2] > 0.0
