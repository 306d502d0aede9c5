"""Arithmetic of levels, differences of means with their uncertainty, and scores of probabilities."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audiodiag.errors import UsageError

__all__ = [
    "MeanDifference",
    "background_correction_db",
    "brier_score",
    "effective_degrees_of_freedom",
    "expected_calibration_error",
    "level_scatter_db",
    "log_loss",
    "mean_level_db",
    "student_quantile",
    "subtract_level_db",
    "sum_level_db",
    "welch_difference",
]


@dataclass(frozen=True)
class MeanDifference:
    """Difference of two means with its uncertainty, in the unit of the readings.

    ``low`` and ``high`` bound the confidence interval; ``p_value`` is two-sided, for no difference at all.
    """

    difference: float
    standard_uncertainty: float
    degrees_of_freedom: float
    low: float
    high: float
    t: float
    p_value: float


def sum_level_db(levels_db: ArrayLike) -> float:
    """Add levels of independent sounds by power, dB.

    >>> round(sum_level_db([60.0, 60.0]), 2)
    63.01
    """
    return float(10.0 * np.log10(np.sum(10.0 ** (np.asarray(levels_db, dtype=float) / 10.0))))


def mean_level_db(levels_db: ArrayLike) -> float:
    """Average levels by power, dB.

    >>> round(mean_level_db([60.0, 66.0]), 2)
    63.96
    """
    return float(10.0 * np.log10(np.mean(10.0 ** (np.asarray(levels_db, dtype=float) / 10.0))))


def subtract_level_db(level_db: float, background_db: float) -> float:
    """Take a background off a level by power, dB; NaN where the background is not lower.

    >>> round(subtract_level_db(70.0, 65.0), 2)
    68.35
    """
    return level_db - background_correction_db(level_db - background_db)


def background_correction_db(difference_db: float) -> float:
    """Give what a background adds when the sum stands this far above it, dB; NaN at 0 dB or less.

    Source: ISO 3744, ``-10 lg(1 - 10^(-d/10))``.

    >>> round(background_correction_db(6.0), 2)
    1.26
    """
    if difference_db <= 0.0:
        return math.nan
    return -10.0 * math.log10(1.0 - 10.0 ** (-difference_db / 10.0))


def level_scatter_db(bandwidth_hz: float, duration_s: float) -> float:
    """Give the standard deviation of a noise level from the finite record: ``4.343 / sqrt(B T)`` dB.

    >>> round(level_scatter_db(100.0, 1.0), 3)
    0.434
    """
    return 10.0 / math.log(10.0) / math.sqrt(bandwidth_hz * duration_s)


def effective_degrees_of_freedom(uncertainties: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    """Give the degrees of freedom of a root sum of squares (Welch-Satterthwaite, GUM equation G.2b).

    >>> round(effective_degrees_of_freedom([25, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]), 1)
    16.8
    """
    squares = np.asarray(uncertainties, dtype=float) ** 2
    return float(squares.sum() ** 2 / (squares**2 / np.asarray(degrees_of_freedom, dtype=float)).sum())


def student_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Give the quantile of Student's t distribution.

    >>> round(student_quantile(0.975, 8), 4)
    2.306
    """
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, probability))


def welch_difference(before: ArrayLike, after: ArrayLike, *, confidence: float = 0.95) -> MeanDifference:
    """Give the difference of the means of two sets of readings, ``before - after``, with its uncertainty.

    Parameters
    ----------
    before, after:
        Readings, shapes (n,) and (m,), at least two each; their scatters may differ.
    confidence:
        Of the interval.

    Raises
    ------
    UsageError
        If there are fewer than two readings on a side, or the confidence is no probability.

    Source: Welch, Biometrika 34 (1947) 28-35.

    >>> found = welch_difference([62.1, 61.8, 62.5, 62.0, 61.9], [58.7, 59.1, 58.4, 59.0, 58.9])
    >>> round(found.difference, 2), round(found.low, 2), round(found.high, 2)
    (3.24, 2.84, 3.64)
    """
    a, b = np.asarray(before, dtype=float), np.asarray(after, dtype=float)
    if a.size < 2 or b.size < 2 or not 0.0 < confidence < 1.0:
        raise UsageError(
            "two sets of readings cannot be compared",
            got=f"{a.size} and {b.size} readings, confidence {confidence:g}",
            allowed="at least two readings on either side, a confidence between 0 and 1",
            todo="record each state at least twice",
        )
    from scipy.special import stdtr

    squares = np.array([a.var(ddof=1) / a.size, b.var(ddof=1) / b.size])
    uncertainty = math.sqrt(float(squares.sum()))
    difference = float(a.mean() - b.mean())
    if uncertainty == 0.0:
        freedom = float(a.size + b.size - 2)
        t = math.copysign(math.inf, difference) if difference else 0.0
        return MeanDifference(difference, 0.0, freedom, difference, difference, t, float(difference == 0))
    freedom = effective_degrees_of_freedom(np.sqrt(squares), [a.size - 1, b.size - 1])
    half = student_quantile(0.5 + confidence / 2.0, freedom) * uncertainty
    t = difference / uncertainty
    return MeanDifference(
        difference=difference,
        standard_uncertainty=uncertainty,
        degrees_of_freedom=freedom,
        low=difference - half,
        high=difference + half,
        t=t,
        p_value=float(2.0 * stdtr(freedom, -abs(t))),
    )


def brier_score(truth: ArrayLike, probability: ArrayLike) -> float:
    """Give the mean squared error of probabilities of a yes (Brier, Monthly Weather Review 78, 1950).

    Parameters
    ----------
    truth, probability:
        Shape (n,), 0 or 1, and 0 to 1. With several exclusive classes give ``probability`` of shape (n, k)
        and ``truth`` as class numbers: the sum over the classes is averaged, 0 to 2.

    >>> round(brier_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]), 4)
    0.0375
    """
    p = np.asarray(probability, dtype=float)
    y = np.asarray(truth)
    if p.ndim == 1:
        return float(np.mean((p - y) ** 2))
    return float(np.mean(((p - np.eye(p.shape[1])[y.astype(int)]) ** 2).sum(axis=1)))


def log_loss(truth: ArrayLike, probability: ArrayLike) -> float:
    """Give the mean of minus the logarithm of the probability that was given to the truth.

    Shapes as for :func:`brier_score`; probabilities are held at 1e-15 from 0 and 1.

    >>> round(log_loss([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]), 6)
    0.197635
    """
    p = np.clip(np.asarray(probability, dtype=float), 1e-15, 1.0 - 1e-15)
    y = np.asarray(truth).astype(int)
    given = np.where(y == 1, p, 1.0 - p) if p.ndim == 1 else np.take_along_axis(p, y[:, np.newaxis], 1)
    return float(-np.log(given).mean())


def expected_calibration_error(confidence: ArrayLike, correct: ArrayLike, *, bins: int = 10) -> float:
    """Give how far confidence and hit rate differ, averaged over equal bins closed on the right.

    Parameters
    ----------
    confidence, correct:
        Shape (n,): confidence of each statement, 0 to 1, and whether it was right, 0 or 1.
    bins:
        Number of bins between 0 and 1.

    >>> round(expected_calibration_error([0.9, 0.9, 0.3], [1, 1, 0], bins=5), 4)
    0.1667
    """
    p, y = np.asarray(confidence, dtype=float), np.asarray(correct, dtype=float)
    index = np.clip(np.ceil(np.round(p * bins, 9)).astype(int) - 1, 0, bins - 1)
    gaps = np.abs(np.bincount(index, p, bins) - np.bincount(index, y, bins))
    return float(gaps.sum() / p.size)
