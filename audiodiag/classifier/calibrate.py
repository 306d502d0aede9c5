"""From a model's log-odds to probabilities that mean what they say.

Three laws are tried on clips that the model was not fitted on, and the simplest within one standard error of
the best is kept: Platt's line in log-odds, Kull's beta law, and a rising staircase (isotonic regression by
pooling adjacent violators). Sources, from memory: Platt, Advances in Large Margin Classifiers (1999);
Kull, Silva Filho and Flach, Electronic Journal of Statistics 11 (2017); Zadrozny and Elkan, KDD (2002).

Most measures are read off the engine's orders, so at a wrong speed they say less. ``Believed`` holds a law
for each case and weighs both by the probability that the speed is right. A speed that is off by a factor, or
for a part of the time, leaves much of what is read; one that follows nothing that turns leaves nothing. For a
symptom that can be heard without any speed ``Speedless`` answers for the latter, and the odds of both are
averaged, as those of two cases that are as likely.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from audiodiag.classifier.families import Scorer, probability_of
from audiodiag.classifier.features import IntArray
from audiodiag.classifier.scores import losses
from audiodiag.records import FloatArray

__all__ = [
    "LAWS",
    "SPEEDLESS_MOST",
    "Believed",
    "Calibration",
    "Speedless",
    "believed",
    "calibrate",
    "fit_law",
    "held_back",
    "mean_of_odds",
    "odds_of",
    "simplest_within_one_error",
]

LAWS = ("platt", "beta", "isotonic")
"""From simple to intricate."""

CERTAIN = 1.0 - 1e-9
"""Probabilities count as this at most where odds are taken."""

SPEEDLESS_MOST = 0.8
"""Probability beyond which nothing is said without a speed; chosen by trial."""

STEEPEST = 20.0
"""Log-odds are held within plus and minus this before a law is applied."""


@dataclass(frozen=True, eq=False)
class Calibration:
    """A law from log-odds to probability: its name and its numbers.

    platt: slope, offset. beta: slope on ln p, slope on -ln(1 - p), offset. isotonic: knots of log-odds and
    probability, first all of one and then all of the other.
    """

    law: str
    numbers: FloatArray

    def probability(self, odds: FloatArray) -> FloatArray:
        """Give the calibrated probability of each log-odds, shape (n,).

        >>> Calibration("platt", np.array([2.0, 0.0])).probability(np.array([0.0])).tolist()
        [0.5]
        """
        s = np.clip(np.asarray(odds, dtype=float), -STEEPEST, STEEPEST)
        if self.law == "isotonic":
            at, rise = self.numbers.reshape(2, -1)
            return np.interp(s, at, rise)
        return probability_of(_terms(self.law, s) @ self.numbers)

    def to_plain(self) -> dict[str, Any]:
        """Give the law as a name and a list for a JSON file."""
        return {"law": self.law, "numbers": self.numbers.tolist()}

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Calibration:
        """Take the law from a JSON file; raises ``KeyError`` or ``ValueError`` where it breaks."""
        law, numbers = plain["law"], np.array(plain["numbers"], dtype=float)
        fitting = {"platt": len(numbers) == 2, "beta": len(numbers) == 3}
        fitting["isotonic"] = len(numbers) >= 2 and len(numbers) % 2 == 0
        if numbers.ndim != 1 or not fitting.get(law, False):
            raise ValueError(f"calibration law {law!r} with {len(numbers)} numbers")
        if not np.all(np.isfinite(numbers)):
            raise ValueError(f"calibration law {law!r} with a number that is none")
        if law == "isotonic":
            at, rise = numbers.reshape(2, -1)
            if np.any(np.diff(at) < 0) or np.any(np.diff(rise) < 0) or rise[0] < 0.0 or rise[-1] > 1.0:
                raise ValueError("a calibration that does not rise from 0 to 1")
        return cls(law, numbers)


@dataclass(frozen=True, eq=False)
class Speedless:
    """What is said of a symptom by those measures alone that hang on no order: a model and its law."""

    scorer: Scorer
    law: Calibration

    def probability(self, values: FloatArray) -> FloatArray:
        """Give the probability of each clip, shape (n,), from its measurements (n, m)."""
        return held_back(self.law.probability(self.scorer.odds(values)))


def held_back(probability: FloatArray) -> FloatArray:
    """Hold what is said without a speed to ``SPEEDLESS_MOST``: much that is no car sounds the same way."""
    return np.minimum(probability, SPEEDLESS_MOST)


@dataclass(frozen=True, eq=False)
class Believed:
    """From log-odds to probability where the engine speed may be wrong.

    right, astray: the laws for clips with a right and with a wrong speed; ``astray`` is None where only one
    law for all clips was learnt. trust: column of the measurements with the probability that the speed is
    right. speedless: what is said besides where the speed is wrong, None where nothing is.
    """

    right: Calibration
    astray: Calibration | None = None
    trust: int | None = None
    speedless: Speedless | None = None

    def probability(self, odds: FloatArray, values: FloatArray) -> FloatArray:
        """Give the probability of each clip, shape (n,), from its log-odds (n,) and measurements (n, m).

        A missing trust counts as none.

        >>> both = Believed(Calibration("platt", np.array([1.0, 0.0])), Calibration("platt", np.zeros(2)), 0)
        >>> both.probability(np.array([50.0, 50.0]), np.array([[1.0], [np.nan]])).round(3).tolist()
        [1.0, 0.5]
        """
        alone = None if self.speedless is None else self.speedless.probability(values)
        return self.said(odds, self.trusted(values), alone)

    def said(self, odds: FloatArray, trust: FloatArray, alone: FloatArray | None) -> FloatArray:
        """Give the probability of each clip, shape (n,), from its log-odds and trust in its speed, (n,) each.

        alone: what is said of each without a speed, shape (n,), None where nothing is.
        """
        right = self.right.probability(odds)
        if self.astray is None or self.trust is None:
            return right
        return np.asarray(trust * right + (1.0 - trust) * self.at_wrong_speed(odds, alone))

    def trusted(self, values: FloatArray) -> FloatArray:
        """Give the probability that the speed of each clip is right, shape (n,), from measurements (n, m)."""
        if self.trust is None:
            return np.ones(len(values))
        return np.clip(np.nan_to_num(np.asarray(values, dtype=float)[:, self.trust]), 0.0, 1.0)

    def at_wrong_speed(self, odds: FloatArray, alone: FloatArray | None) -> FloatArray:
        """Give the probability of each clip, shape (n,), if its speed is wrong; alone: as of ``said``."""
        wrong = (self.astray or self.right).probability(odds)
        return wrong if alone is None else mean_of_odds(wrong, alone)


def mean_of_odds(one: FloatArray, other: FloatArray) -> FloatArray:
    """Give the probability, shape (n,), whose odds are the mean of those of two, shape (n,) each.

    Were both odds of the same measures, of a symptom that shows itself in one way or in the other, each as
    often, this would be Bayes' rule; here the measures are not the same, and it was chosen by trial.

    >>> mean_of_odds(np.array([0.5, 0.0]), np.array([0.75, 0.5])).round(3).tolist()
    [0.667, 0.333]
    """
    mean = 0.5 * (odds_of(one) + odds_of(other))
    return np.asarray(mean / (1.0 + mean))


def odds_of(probability: FloatArray) -> FloatArray:
    """Give the odds of probabilities, finite ones of 1 too.

    >>> odds_of(np.array([0.0, 0.75])).round(3).tolist()
    [0.0, 3.0]
    """
    held = np.clip(probability, 0.0, CERTAIN)
    return np.asarray(held / (1.0 - held))


def believed(
    odds: FloatArray,
    present: FloatArray,
    fold: IntArray,
    *,
    weight: FloatArray,
    right: FloatArray,
    trust: int | None,
    fewest: int,
    group: IntArray | None = None,
) -> Believed:
    """Fit one law for clips with a right speed and one for those with a wrong one, all of shape (n,).

    right: 1, 0 or NaN where nobody knows, which counts for both. With fewer than ``fewest`` clips of either
    truth among those with a wrong speed there is one law for all. group: as of ``calibrate``.
    """
    clip = np.arange(len(odds)) if group is None else group
    off = ~(right > 0.5)
    there, absent = off & (present > 0.5) & (right < 0.5), off & (present < 0.5) & (right < 0.5)
    if trust is None or min(int(there.sum()), int(absent.sum())) < fewest:
        return Believed(calibrate(odds, present, fold, weight=weight, group=clip))
    on = ~(right < 0.5)
    laws = [
        calibrate(odds[which], present[which], fold[which], weight=weight[which], group=clip[which])
        for which in (on, off)
    ]
    return Believed(laws[0], laws[1], trust)


def calibrate(
    odds: FloatArray,
    present: FloatArray,
    fold: IntArray,
    *,
    weight: FloatArray | None = None,
    group: IntArray | None = None,
    laws: tuple[str, ...] = LAWS,
) -> Calibration:
    """Choose and fit the law for log-odds (n,) that came from models fitted on other clips.

    ``fold`` (n,) parts the clips: each law is judged on the folds that it was not fitted on. group: the clip
    of each, shape (n,), where one stands there more than once.
    """
    w = np.ones(len(odds)) if weight is None else np.asarray(weight, dtype=float)
    lost = {}
    for law in laws:
        said = np.full(len(odds), np.nan)
        for number in np.unique(fold):
            here = fold == number
            said[here] = fit_law(law, odds[~here], present[~here], w[~here]).probability(odds[here])
        lost[law] = losses(present, said)
    kept = simplest_within_one_error(lost, laws, w, group)
    return fit_law(kept, odds, present, w)


def simplest_within_one_error(
    lost: dict[str, FloatArray],
    names: tuple[str, ...],
    weight: FloatArray,
    group: IntArray | None = None,
) -> str:
    """Give the first of ``names`` whose mean loss is within one standard error of the best one's.

    ``lost`` holds the loss of each row, shape (n,). The error is that of the difference clip by clip, which
    tells two ways apart that rise and fall together. group: the clip of each row, shape (n,), where one has
    several: as it is and passed on, judged in two ways. They rise and fall together and count as one.

    >>> lost = {"plain": np.array([0.2, 0.3, 0.1, 0.4]), "fancy": np.array([0.1, 0.4, 0.1, 0.3])}
    >>> simplest_within_one_error(lost, ("plain", "fancy"), np.ones(4))
    'plain'
    """
    mean = {name: float(np.average(lost[name], weights=weight)) for name in names}
    best = min(names, key=lambda name: mean[name])
    used = weight > 0
    clip = np.arange(len(weight)) if group is None else np.unique(group, return_inverse=True)[1]
    for name in names:
        worse = mean[name] - mean[best]
        away = weight[used] * ((lost[name] - lost[best])[used] - worse)
        error = float(np.linalg.norm(np.bincount(clip[used], away))) / float(weight.sum())
        if worse <= error + 1e-12:
            return name
    return best


def fit_law(law: str, odds: FloatArray, present: FloatArray, weight: FloatArray) -> Calibration:
    """Fit one law by name.

    >>> law = fit_law("platt", np.array([-2.0, -1.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.0, 1.0]), np.ones(4))
    >>> bool(law.numbers[0] > 0)
    True
    """
    return _FITTERS[law](np.clip(np.asarray(odds, dtype=float), -STEEPEST, STEEPEST), present, weight)


def _terms(law: str, s: FloatArray) -> FloatArray:
    """Lay out what the law adds up: columns of log-odds or of ln p and -ln(1 - p), and one of ones."""
    if law == "platt":
        return np.stack([s, np.ones_like(s)], axis=-1)
    return np.stack([-np.logaddexp(0.0, -s), np.logaddexp(0.0, s), np.ones_like(s)], axis=-1)


def _softened(present: FloatArray, weight: FloatArray) -> FloatArray:
    """Pull the truths in by Platt's prior counts, so that a clean split does not make an infinite slope."""
    there = float(weight @ present)
    absent = float(weight @ (1.0 - present))
    return np.where(present > 0.5, (there + 1.0) / (there + 2.0), 1.0 / (absent + 2.0))


def _newton(x: FloatArray, target: FloatArray, weight: FloatArray) -> FloatArray:
    """Fit a logistic regression to soft targets by Newton steps, with a trace of penalty."""
    numbers = np.zeros(x.shape[1])
    penalty = 1e-3 * np.eye(x.shape[1])
    for _ in range(100):
        p = probability_of(x @ numbers)
        slope = x.T @ (weight * (p - target)) + penalty @ numbers
        bend = (x * (weight * np.maximum(p * (1 - p), 1e-9))[:, None]).T @ x + penalty
        step = np.linalg.solve(bend, slope)
        step *= min(1.0, 5.0 / max(float(np.abs(step).max()), 1e-12))
        numbers = numbers - step
        if np.abs(step).max() < 1e-10:
            break
    return numbers


def _fit_platt(s: FloatArray, present: FloatArray, weight: FloatArray) -> Calibration:
    """Fit a line in log-odds; a falling one is laid flat."""
    numbers = _newton(_terms("platt", s), _softened(present, weight), weight)
    if numbers[0] < 0:
        numbers = np.append(0.0, _newton(np.ones((len(s), 1)), _softened(present, weight), weight))
    return Calibration("platt", numbers)


def _fit_beta(s: FloatArray, present: FloatArray, weight: FloatArray) -> Calibration:
    """Fit the beta law; a slope that would fall is taken out."""
    x, target = _terms("beta", s), _softened(present, weight)
    kept = [0, 1, 2]
    numbers = _newton(x, target, weight)
    while min([n for n, column in zip(numbers, kept, strict=True) if column < 2], default=0.0) < 0:
        kept.remove(min((c for c in kept if c < 2), key=lambda c: numbers[kept.index(c)]))
        numbers = _newton(x[:, kept], target, weight)
    full = np.zeros(3)
    full[kept] = numbers
    return Calibration("beta", full)


def _fit_isotonic(s: FloatArray, present: FloatArray, weight: FloatArray) -> Calibration:
    """Fit a rising staircase by pooling adjacent violators; knots stand at the ends of each step.

    Each step is drawn in by half a clip of either kind, so that no probability is 0 or 1 for want of clips.
    """
    used = weight > 0
    order = np.argsort(s[used], kind="stable")
    at, truth, w = s[used][order], present[used][order], weight[used][order]
    pools: list[list[float]] = []
    for value, true, mass in zip(at, truth, w, strict=True):
        pools.append([value, value, mass * true, mass])
        while len(pools) > 1 and (
            pools[-2][1] == pools[-1][0] or pools[-2][2] * pools[-1][3] >= pools[-1][2] * pools[-2][3]
        ):
            last = pools.pop()
            pools[-1] = [pools[-1][0], last[1], pools[-1][2] + last[2], pools[-1][3] + last[3]]
    knots = [(end, (true + 0.5) / (mass + 1.0)) for pool in pools for end, true, mass in _ends(pool)]
    if not knots:
        return Calibration("isotonic", np.array([0.0, 0.5]))
    where, rise = np.array(knots).T
    return Calibration("isotonic", np.concatenate([where, np.maximum.accumulate(rise)]))


def _ends(pool: list[float]) -> list[tuple[float, float, float]]:
    """Give the one or two knots of a step with its true and total mass."""
    low, high, true, mass = pool
    return [(low, true, mass)] if low == high else [(low, true, mass), (high, true, mass)]


_FITTERS: dict[str, Callable[[FloatArray, FloatArray, FloatArray], Calibration]] = {
    "platt": _fit_platt,
    "beta": _fit_beta,
    "isotonic": _fit_isotonic,
}
