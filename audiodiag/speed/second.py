"""A second opinion on the reading of a track, where the number of cylinders is not told.

Engines that fire equally often differ only in their half orders, which many a clip does not show. The nets of
``chooser`` learnt from bays where they mostly show, and count a line that is not heard against the engine
that would have it; and the lines they see are judged up to an order of the engine, so that of two readings
that fire alike the faster is credited with lines further up. The second opinion is a plain sum of few
numbers: what the chooser says, the lines up to one frequency for all readings, in spectra over which nothing
folds back, the prior of speed, and the number of cylinders. The mean of both decides.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.speed.comb import CYLINDERS
from audiodiag.speed.comb_evidence import (
    FAMILIES,
    HIGHEST_ORDER,
    SAME_SPEED,
    line_evidence,
    line_scores,
    line_terms,
)
from audiodiag.speed.hypotheses import FINE_STEP, HYPOTHESIS_FEATURES, ORDER_STEP, Hypothesis

__all__ = ["SECOND_FEATURES", "mean_of_opinions", "second_features", "with_score"]

KEPT = ("prior", "joint_agreement", "own_agreement", *(f"cylinders_{n}" for n in CYLINDERS))
"""Numbers of a hypothesis that both opinions see."""
OF_NONE = (
    "best_agreement", "sharpness", "low_lines", "env_lines", "roughness", "log_sd", "log_duration",
)  # fmt: skip
"""What speaks for *none of these*, in the row of that answer alone."""
SECOND_FEATURES = (
    "score", "rhythm_low", "rhythm_env", "firing_low", "firing_env", "rhythm_before_alike", *KEPT,
    "none_of_these", *(f"none_{n}" for n in OF_NONE),
)  # fmt: skip
"""Names of the columns; the chooser's score is put in by ``with_score``."""
HELD = 30.0
STEPS = (ORDER_STEP, FINE_STEP)


def second_features(
    spectra: Sequence[tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]],
    median_rpm: Sequence[float],
    guesses: Sequence[Hypothesis],
    described: FloatArray,
) -> FloatArray:
    """Describe the hypotheses and *none of these*, shape (hypotheses + 1, ``SECOND_FEATURES``).

    NaN stands for what an answer does not have, and in the column of the score.

    spectra: for each track the long order spectra of the low band and of the envelopes, in steps of
    ``ORDER_STEP`` and ``FINE_STEP``. median_rpm: of each track. described: from ``hypotheses.describe``.
    """
    terms = [
        [
            line_terms(np.stack([line_scores(two[fine], step) for two in each]))
            for fine, step in enumerate(STEPS)
        ]
        for each in spectra
    ]
    lowest = min(median_rpm)
    found = np.zeros((len(guesses), 2, 2, len(FAMILIES)))
    for row, guess in enumerate(guesses):
        top = HIGHEST_ORDER * lowest / median_rpm[guess.track]
        for fine, (each, step) in enumerate(zip(terms[guess.track], STEPS, strict=True)):
            found[row, :, fine] = line_evidence(each, step, guess.factor, guess.cylinders, top=top)
    mean = found.mean(axis=2)
    firing, rhythm = mean[:, :, :2].sum(axis=2), mean[:, :, 2:].sum(axis=2)
    both = rhythm.mean(axis=1)
    fires = np.array([g.factor * median_rpm[g.track] * g.cylinders for g in guesses])
    alike = np.abs(np.log(fires[:, None] / fires[None, :])) < SAME_SPEED
    before = both - np.where(alike, both[None, :], -np.inf).max(axis=1)
    kept = described[:-1, [HYPOTHESIS_FEATURES.index(name) for name in KEPT]]
    table = np.full((len(guesses) + 1, len(SECOND_FEATURES)), np.nan)
    last = len(SECOND_FEATURES) - len(OF_NONE) - 1
    table[:-1, 1:last] = np.column_stack([
        _held(rhythm), _held(firing - firing.max(axis=0)), _held(before), kept,
    ])  # fmt: skip
    table[:, last] = 0.0
    table[-1, last] = 1.0
    table[-1, last + 1 :] = described[-1, [HYPOTHESIS_FEATURES.index(name) for name in OF_NONE]]
    return table


def _held(values: FloatArray) -> FloatArray:
    return np.asarray(HELD * np.tanh(values / HELD))


def with_score(table: FloatArray, score: FloatArray) -> FloatArray:
    """Put the chooser's scores, shape (hypotheses + 1,), into the first column of ``second_features``."""
    return np.column_stack([score, table[:, 1:]])


def mean_of_opinions(first: FloatArray, second: FloatArray) -> FloatArray:
    """Probabilities from the mean of two opinions' scores, shape (hypotheses + 1,).

    >>> [round(float(p), 2) for p in mean_of_opinions(np.zeros(2), np.array([0.0, np.log(9.0)]))]
    [0.25, 0.75]
    """
    score = 0.5 * (first + second)
    return np.asarray(np.exp(score - np.logaddexp.reduce(score)))
