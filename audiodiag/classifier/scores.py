"""How good probabilities are: log loss, Brier score, ranking, calibration error, recall and false alarms.

``present`` is 1 where the symptom is there and 0 where it is not; ``probability`` is what was said about it.
Both have shape (n,). ``weight`` (n,) counts a clip more than once or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray, read_only

__all__ = [
    "CalibrationCurve",
    "area_under_curve",
    "brier_score",
    "calibration_curve",
    "calibration_error",
    "log_loss",
    "losses",
    "share_at_least",
]

SMALLEST = 1e-12
"""Probabilities are held this far from 0 and 1 where a logarithm is taken."""


def log_loss(present: FloatArray, probability: FloatArray, weight: FloatArray | None = None) -> float:
    """Give the mean of ``-ln`` of the probability that was given to what is true.

    >>> round(log_loss([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]), 7)
    0.1976349
    """
    lost = losses(present, probability)
    return float(np.average(lost, weights=weight)) if len(lost) else float("nan")


def losses(present: FloatArray, probability: FloatArray) -> FloatArray:
    """Give the log loss of each clip, shape (n,).

    >>> [round(float(loss), 4) for loss in losses([1, 0], [0.5, 0.0])]
    [0.6931, 0.0]
    """
    p = np.clip(np.asarray(probability, dtype=float), SMALLEST, 1.0 - SMALLEST)
    truth = np.asarray(present, dtype=float)
    return -(truth * np.log(p) + (1.0 - truth) * np.log1p(-p))


def brier_score(present: FloatArray, probability: FloatArray, weight: FloatArray | None = None) -> float:
    """Give the mean squared difference of probability and truth.

    >>> round(brier_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]), 6)
    0.0375
    """
    difference = np.asarray(probability, dtype=float) - np.asarray(present, dtype=float)
    square = difference * difference
    return float(np.average(square, weights=weight)) if len(square) else float("nan")


def area_under_curve(present: FloatArray, score: FloatArray) -> float:
    """Give the chance that a clip with the symptom scores above one without; NaN where one kind is missing.

    Equal scores count half (Mann and Whitney's statistic over the number of pairs).

    >>> area_under_curve([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8])
    0.75
    """
    truth = np.asarray(present).astype(bool)
    values = np.asarray(score, dtype=float)
    there, not_there = values[truth], np.sort(values[~truth])
    if not len(there) or not len(not_there):
        return float("nan")
    below = np.searchsorted(not_there, there, side="left")
    not_above = np.searchsorted(not_there, there, side="right")
    return float((below + not_above).mean() / (2.0 * len(not_there)))


@dataclass(frozen=True, eq=False)
class CalibrationCurve:
    """What was said against what was true, in bins closed on the right; empty bins are left out.

    count, said, true: shape (bins in use,): clips in the bin, their mean probability, their share of truth.
    """

    count: FloatArray
    said: FloatArray
    true: FloatArray


def calibration_curve(present: FloatArray, probability: FloatArray, *, bins: int = 10) -> CalibrationCurve:
    """Sort the clips into bins by probability and compare what was said with what was true.

    >>> curve = calibration_curve([1, 0, 1], [0.9, 0.2, 0.8], bins=2)
    >>> [round(float(said), 2) for said in curve.said]
    [0.2, 0.85]
    """
    p = np.asarray(probability, dtype=float)
    truth = np.asarray(present, dtype=float)
    edges = np.arange(1, bins) / bins
    index = np.searchsorted(edges, p, side="left")
    count = np.bincount(index, minlength=bins)
    used = count > 0
    said = np.bincount(index, weights=p, minlength=bins)[used] / count[used]
    true = np.bincount(index, weights=truth, minlength=bins)[used] / count[used]
    return CalibrationCurve(read_only(count[used].astype(float)), read_only(said), read_only(true))


def calibration_error(present: FloatArray, probability: FloatArray, *, bins: int = 10) -> float:
    """Give the mean distance between what was said and what was true over the bins, weighted by their clips.

    The expected calibration error with bins of equal width closed on the right.

    >>> said = [0.95, 0.9, 0.85, 0.8, 0.75, 0.65, 0.6, 0.55, 0.45, 0.3]
    >>> round(calibration_error([1, 1, 1, 0, 1, 1, 0, 0, 1, 0], said, bins=5), 3)
    0.14
    """
    curve = calibration_curve(present, probability, bins=bins)
    distance = float(np.sum(curve.count * np.abs(curve.said - curve.true)))
    return distance / float(np.sum(curve.count)) if len(curve.count) else float("nan")


def share_at_least(probability: FloatArray, *, threshold: float = 0.5) -> float:
    """Give the share of clips that are called present: recall where all are, false alarms where none is.

    >>> share_at_least([0.2, 0.5, 0.9, 0.1])
    0.5
    """
    p = np.asarray(probability, dtype=float)
    return float(np.mean(p >= threshold)) if len(p) else float("nan")
