"""Which reading of the tracks is right: small nets weigh the hypotheses, with *none of these* among them.

Beside the nets stands a plain sum, which also sees how far each number lies behind the best of the clip. The
mean of both decides: they err in different clips.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.speed.plain import weights_of

__all__ = ["REACH", "Chooser", "ChooserNet", "beside_best", "chooser_from_plain", "chooser_to_plain"]

REACH = 6.0
"""Features are held within this many standard deviations."""


@dataclass(frozen=True, eq=False)
class ChooserNet:
    """One net: a score is ``out @ max(x @ hidden + bias, 0) + x @ direct``.

    hidden: shape (features, units); bias, out: shape (units,); direct: shape (features,).
    """

    hidden: FloatArray
    bias: FloatArray
    out: FloatArray
    direct: FloatArray

    def scores(self, scaled: FloatArray) -> FloatArray:
        """Score scaled features, shape (hypotheses, features)."""
        return np.asarray(np.maximum(scaled @ self.hidden + self.bias, 0.0) @ self.out + scaled @ self.direct)


@dataclass(frozen=True, eq=False)
class Chooser:
    """Nets whose scores are averaged before a softmax over the hypotheses of a clip.

    centre, scale: shape (features,). trust: offset and slope from the log-odds of the chosen speed to those
    that it is right, fitted on clips that the nets did not see. beside: a chooser on ``beside_best`` whose
    scores count as much as the mean of the nets.
    """

    centre: FloatArray
    scale: FloatArray
    nets: tuple[ChooserNet, ...]
    trust: FloatArray
    beside: Chooser | None = None

    def scaled(self, features: FloatArray) -> FloatArray:
        """Scale features; what is NaN stands at the centre."""
        return np.clip(np.nan_to_num((features - self.centre) / self.scale), -REACH, REACH)

    def scores(self, features: FloatArray) -> FloatArray:
        """Score each row of ``features``, shape (hypotheses + 1,)."""
        scaled = self.scaled(features)
        mean = np.asarray(np.mean([net.scores(scaled) for net in self.nets], axis=0))
        return mean if self.beside is None else 0.5 * (mean + self.beside.scores(beside_best(features)))

    def probabilities(self, features: FloatArray) -> FloatArray:
        """Probability of each row of ``features``, shape (hypotheses + 1,); the last is *none of these*."""
        score = self.scores(features)
        return np.asarray(np.exp(score - np.logaddexp.reduce(score)))

    def confidence(self, probability: float) -> float:
        """How probable it is that a speed chosen with this probability is right, 0 to 1."""
        odds = np.log(probability + 1e-4) - np.log(1.0001 - probability)
        return float(1.0 / (1.0 + np.exp(-(self.trust[0] + self.trust[1] * odds))))


def beside_best(features: FloatArray) -> FloatArray:
    """Set beside each number of a clip how far it lies behind the greatest, shape (rows, 2 features).

    >>> beside_best(np.array([[1.0, 5.0], [3.0, np.nan]]))
    array([[ 1.,  5., -2.,  0.],
           [ 3., nan,  0., nan]])
    """
    return np.hstack([features, features - np.fmax.reduce(features, axis=0)])


def chooser_to_plain(chooser: Chooser) -> dict[str, Any]:
    """Give the chooser as plain numbers."""
    names = ("hidden", "bias", "out", "direct")
    beside = {} if chooser.beside is None else {"beside": chooser_to_plain(chooser.beside)}
    return beside | {
        "centre": np.round(chooser.centre, 6).tolist(),
        "scale": np.round(chooser.scale, 6).tolist(),
        "trust": np.round(chooser.trust, 6).tolist(),
        "nets": [{name: np.round(getattr(net, name), 5).tolist() for name in names} for net in chooser.nets],
    }


def chooser_from_plain(plain: Mapping[str, Any], features: int) -> Chooser:
    """Read a chooser for so many features; ValueError where shapes do not fit or a number is none."""
    nets = tuple(
        ChooserNet(*(weights_of(net[name]) for name in ("hidden", "bias", "out", "direct")))
        for net in plain["nets"]
    )
    beside = chooser_from_plain(plain["beside"], 2 * features) if "beside" in plain else None
    if beside is not None and beside.beside is not None:
        raise ValueError("beside the sum beside the nets stands another")
    centre, scale, trust = (weights_of(plain[name]) for name in ("centre", "scale", "trust"))
    chooser = Chooser(centre, scale, nets, trust, beside)
    right = bool(nets) and chooser.trust.shape == (2,) and bool(np.all(chooser.scale > 0))
    right = right and chooser.centre.shape == chooser.scale.shape == (features,)
    for net in nets:
        units = len(net.bias)
        right = right and net.hidden.shape == (features, units) and net.out.shape == (units,)
        right = right and net.direct.shape == (features,)
    if not right:
        raise ValueError("the chooser's shapes do not fit")
    return chooser
