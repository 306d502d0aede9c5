"""Four small kinds of model as plain numbers: what each says of a clip, and which measure moved it.

========== ==========================================================================================
``bayes``  each measure speaks for itself, normal in both classes (naive Bayes)
``linear`` a weighted sum of scaled measures, missing indicators and kinked terms (logistic regression)
``boosted`` a sum of small trees, each mending what the ones before it left (gradient boosting)
``forest`` the mean of many trees grown on resampled clips (random forest)
========== ==========================================================================================

Every model answers with log-odds of shape (n,) for values of shape (n, m), and with charges of shape (n, m)
that say how far each measure moved the answer away from that for an ordinary clip. Only numpy is needed here;
``fitting`` makes the models.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from audiodiag.classifier.features import IntArray, Scaling, design, scaled
from audiodiag.classifier.trees import Trees, tree_charges, tree_sums
from audiodiag.records import FloatArray

__all__ = [
    "KINDS",
    "Bayes",
    "Boosted",
    "Forest",
    "Linear",
    "Scorer",
    "log_odds",
    "probability_of",
    "scaling_from_plain",
    "scaling_to_plain",
]

FOREST_LIMIT = 0.002
"""A forest's share of votes is held this far from 0 and 1 before it becomes log-odds."""


def probability_of(odds: FloatArray) -> FloatArray:
    """Turn log-odds into probabilities without overflow.

    >>> probability_of(np.array([0.0, -1000.0])).tolist()
    [0.5, 0.0]
    """
    tail = np.exp(-np.abs(np.asarray(odds, dtype=float)))
    return np.where(np.asarray(odds) >= 0, 1.0, tail) / (1.0 + tail)


def log_odds(probability: FloatArray) -> FloatArray:
    """Turn probabilities strictly between 0 and 1 into log-odds.

    >>> float(log_odds(np.array([0.5]))[0])
    0.0
    """
    p = np.asarray(probability, dtype=float)
    return np.log(p) - np.log1p(-p)


class Scorer(Protocol):
    """What every kind of model can do."""

    def odds(self, values: FloatArray) -> FloatArray:
        """Give log-odds, shape (n,)."""

    def charges(self, values: FloatArray) -> FloatArray:
        """Give what each measure did to the log-odds, shape (n, m)."""

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""


@dataclass(frozen=True, eq=False)
class Linear:
    """A weighted sum: ``weight`` (p,) over the columns of ``features.design``."""

    scaling: Scaling
    kinks: tuple[float, ...]
    weight: FloatArray
    offset: float

    def odds(self, values: FloatArray) -> FloatArray:
        """Give log-odds, shape (n,)."""
        return design(values, self.scaling, kinks=self.kinks).columns @ self.weight + self.offset

    def charges(self, values: FloatArray) -> FloatArray:
        """Give each measure's share of the sum; they add up to the log-odds less the offset."""
        laid = design(values, self.scaling, kinks=self.kinks)
        charges = np.zeros((len(laid.columns), len(self.scaling.centre)))
        np.add.at(charges.T, laid.measure, (laid.columns * self.weight).T)
        return charges

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""
        own = {"kinks": list(self.kinks), "weight": self.weight.tolist(), "offset": self.offset}
        return scaling_to_plain(self.scaling) | own

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Linear:
        """Take the model from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
        scaling = scaling_from_plain(plain)
        kinks = tuple(float(kink) for kink in plain["kinks"])
        weight = np.array(plain["weight"], dtype=float)
        columns = len(scaling.centre) * (1 + len(kinks)) + int(scaling.missing_told.sum())
        if weight.shape != (columns,):
            raise ValueError(f"{len(weight)} weights for {columns} terms")
        offset = float(plain["offset"])
        if not np.all(np.isfinite([*kinks, *weight, offset])):
            raise ValueError("a weight that is no number")
        return cls(scaling, kinks, weight, offset)


@dataclass(frozen=True, eq=False)
class Bayes:
    """Independent normal measures: ``mean`` and ``variance`` (2, k) for absent and present.

    ``chosen`` (k,) are the measures that are listened to; ``prior`` the log-odds before any is.
    """

    scaling: Scaling
    chosen: IntArray
    mean: FloatArray
    variance: FloatArray
    prior: float

    def _ratios(self, values: FloatArray) -> FloatArray:
        """Give the log-likelihood ratio of each chosen measure, shape (n, k)."""
        z = scaled(values, self.scaling)[:, self.chosen][:, None, :]
        each = -0.5 * (np.log(2.0 * np.pi * self.variance) + (z - self.mean) ** 2 / self.variance)
        return each[:, 1] - each[:, 0]

    def odds(self, values: FloatArray) -> FloatArray:
        """Give log-odds, shape (n,)."""
        return self.prior + self._ratios(values).sum(axis=1)

    def charges(self, values: FloatArray) -> FloatArray:
        """Give how far each measure moved the log-odds from those of the ordinary clip."""
        ordinary = self._ratios(self.scaling.centre[None, :])
        charges = np.zeros((len(values), len(self.scaling.centre)))
        charges[:, self.chosen] = self._ratios(values) - ordinary
        return charges

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""
        return scaling_to_plain(self.scaling) | {
            "chosen": self.chosen.tolist(),
            "mean": self.mean.tolist(),
            "variance": self.variance.tolist(),
            "prior": self.prior,
        }

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Bayes:
        """Take the model from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
        scaling = scaling_from_plain(plain)
        chosen = np.array(plain["chosen"], dtype=np.int64)
        mean, variance = (np.array(plain[name], dtype=float) for name in ("mean", "variance"))
        if mean.shape != (2, len(chosen)) or variance.shape != mean.shape or not np.all(variance > 0):
            raise ValueError("means and variances do not fit the chosen measures")
        if chosen.ndim != 1 or not np.all(
            np.isfinite([*mean.ravel(), *variance.ravel(), float(plain["prior"])])
        ):
            raise ValueError("a mean, variance or prior that is no number")
        if len(chosen) and not np.all((chosen >= 0) & (chosen < len(scaling.centre))):
            raise ValueError("a chosen measure is out of the list")
        return cls(scaling, chosen, mean, variance, float(plain["prior"]))


@dataclass(frozen=True, eq=False)
class Boosted:
    """A sum of small trees whose values are log-odds."""

    trees: Trees

    def odds(self, values: FloatArray) -> FloatArray:
        """Give log-odds, shape (n,)."""
        return tree_sums(self.trees, values)

    def charges(self, values: FloatArray) -> FloatArray:
        """Give what each measure did along the paths."""
        return tree_charges(self.trees, values)

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""
        return self.trees.to_plain()

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Boosted:
        """Take the model from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
        return cls(Trees.from_plain(plain))


@dataclass(frozen=True, eq=False)
class Forest:
    """A mean of trees: the values at the leaves are shares of votes, divided by the number of trees."""

    trees: Trees

    def odds(self, values: FloatArray) -> FloatArray:
        """Give log-odds of the share of votes, shape (n,)."""
        return log_odds(np.clip(tree_sums(self.trees, values), FOREST_LIMIT, 1.0 - FOREST_LIMIT))

    def charges(self, values: FloatArray) -> FloatArray:
        """Give what each measure did along the paths, stretched from shares of votes to log-odds."""
        votes = tree_charges(self.trees, values)
        start = self.trees.base + self.trees.value[self.trees.root].sum()
        usual = log_odds(np.clip(start, FOREST_LIMIT, 1.0 - FOREST_LIMIT))
        moved = votes.sum(axis=1)
        small = np.abs(moved) < 1e-9
        stretch = np.where(small, 1.0, (self.odds(values) - usual) / np.where(small, 1.0, moved))
        return votes * stretch[:, None]

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""
        return self.trees.to_plain()

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Forest:
        """Take the model from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
        return cls(Trees.from_plain(plain))


KINDS: dict[str, Any] = {"bayes": Bayes, "linear": Linear, "boosted": Boosted, "forest": Forest}
"""Kind of model to the class that evaluates it."""


def scaling_to_plain(scaling: Scaling) -> dict[str, Any]:
    """Give a scaling as lists for a JSON file."""
    return {
        "centre": scaling.centre.tolist(),
        "width": scaling.width.tolist(),
        "missing_told": [int(told) for told in scaling.missing_told],
    }


def scaling_from_plain(plain: dict[str, Any]) -> Scaling:
    """Take a scaling from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
    centre, width, told = (np.array(plain[name], dtype=float) for name in ("centre", "width", "missing_told"))
    if not (centre.shape == width.shape == told.shape and centre.ndim == 1):
        raise ValueError("centre, width and missing_told differ in length")
    if not (np.all(width > 0) and np.all(np.isfinite([*centre, *width]))):
        raise ValueError("a width that is not above zero, or a centre or width that is no number")
    if not np.all((told == 0) | (told == 1)):
        raise ValueError("missing_told that is neither 0 nor 1")
    return Scaling(centre, width, told)
