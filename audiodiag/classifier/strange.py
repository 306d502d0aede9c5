"""How unlike everything learnt a clip is, and whether it is an engine bay at all.

Two answers. The *distance* of the measurements from the middle of the engine bays learnt, with the spread and
the common movement of the measurements taken out (Mahalanobis distance with a shrunk covariance; Ledoit and
Wolf, Journal of Multivariate Analysis 88 (2004), from memory), and its *rank* among clips that took no part
in learning that middle. And the *probability of an engine bay*, learnt from sounds that are none; it knows
only sounds of the kinds that it was shown, the distance knows none and fears all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from audiodiag.classifier.calibrate import Calibration, calibrate
from audiodiag.classifier.compare import out_of_fold, plain_folds
from audiodiag.classifier.families import Boosted, Linear, scaling_from_plain, scaling_to_plain
from audiodiag.classifier.features import IntArray, Scaling, learn_scaling, scaled
from audiodiag.classifier.fitting import Candidate, fit, one_thread
from audiodiag.classifier.leanings import FOR, REPEATED
from audiodiag.classifier.table import Table
from audiodiag.records import FloatArray

__all__ = ["ENGINE_FROM", "STRANGE_RANK", "StrangeModel", "Strangeness", "learn_strangeness"]

ENGINE_FROM = 0.2
"""From this probability on a clip is listened to as an engine bay: nearly all that people send are, so that a
refused one costs more than an idle answer on something else."""

STRANGE_RANK = 0.995
"""A clip farther out than this share of the engine bays learnt is called strange."""

FAR_CLIP = 8.0
"""Scaled values are held within plus and minus this before the distance is taken."""

CLEAREST = 0.95
"""A measure that can only speak for a symptom counts no further out than for this share of the engine bays: a
symptom clearer than any that was learnt from is clear, not strange."""

MOSTLY_THERE = 0.9
"""Only measures that this share of engine bays gives enter the distance."""

ENGINE_CANDIDATE = Candidate(
    "engine judge", "boosted", 1, {"trees": 120, "leaves": 4, "rate": 0.1, "bags": 6}
)
"""Trees, unlike for the symptoms: what is no engine bay is many things, each told by other measures. It is a
mean of six models: what a single one says of a clip at the edge hangs on which clips it was stopped by."""

JUDGES: dict[str, type[Linear] | type[Boosted]] = {"linear": Linear, "boosted": Boosted}
"""Kinds that a judge of the engine bay may be; files that name none hold a linear one."""


@dataclass(frozen=True)
class Strangeness:
    """How strange one clip is.

    distance: in standard deviations, as the root of the mean square over the measures. rank: share of learnt
    engine bays that lie nearer. engine_probability: that the clip is an engine bay. far_out: the measures
    that do most to the distance, the farthest first. strange: whether the rank passes ``STRANGE_RANK``.
    """

    distance: float
    rank: float
    engine_probability: float
    far_out: tuple[str, ...]

    @property
    def strange(self) -> bool:
        """Whether the clip is unlike what was learnt."""
        return self.rank >= STRANGE_RANK

    @property
    def engine(self) -> bool:
        """Whether the clip is probable enough as an engine bay to be listened to."""
        return self.engine_probability >= ENGINE_FROM


@dataclass(frozen=True, eq=False)
class StrangeModel:
    """What was learnt: ``chosen`` (k,) measures, ``precision`` (k, k), distances at equal steps of rank.

    most: scaled value (k,) beyond which a measure counts as that.
    """

    scaling: Scaling
    chosen: IntArray
    middle: FloatArray
    precision: FloatArray
    distances: FloatArray
    engine: Linear | Boosted
    calibration: Calibration
    most: FloatArray

    def distance(self, values: FloatArray) -> FloatArray:
        """Give the distance of each row of ``values`` (n, m), shape (n,)."""
        return np.sqrt(np.maximum(self.shares(values).sum(axis=1), 0.0) / max(len(self.chosen), 1))

    def shares(self, values: FloatArray) -> FloatArray:
        """Give what each chosen measure adds to the squared distance times k, shape (n, k)."""
        z = scaled(values, self.scaling, clip_at=FAR_CLIP)[:, self.chosen]
        off = np.minimum(z, self.most) - self.middle
        return off * (off @ self.precision)

    def judge(self, values: FloatArray, measures: tuple[str, ...]) -> Strangeness:
        """Judge one clip, ``values`` of shape (m,) in the order of ``measures``."""
        row = values[None, :]
        distance = float(self.distance(row)[0])
        steps = len(self.distances) - 1
        rank = float(np.searchsorted(self.distances, distance, side="right") - 1) / max(steps, 1)
        order = np.argsort(-self.shares(row)[0], kind="stable")[:3]
        return Strangeness(
            distance,
            min(max(rank, 0.0), 1.0),
            float(self.calibration.probability(self.engine.odds(row))[0]),
            tuple(measures[self.chosen[place]] for place in order),
        )

    def to_plain(self) -> dict[str, Any]:
        """Give the model as lists and numbers for a JSON file."""
        return {
            "scaling": scaling_to_plain(self.scaling),
            "chosen": self.chosen.tolist(),
            "middle": self.middle.tolist(),
            "precision": self.precision.tolist(),
            "most": self.most.tolist(),
            "distances": self.distances.tolist(),
            "judge": next(kind for kind, made in JUDGES.items() if isinstance(self.engine, made)),
            "engine": self.engine.to_plain(),
            "calibration": self.calibration.to_plain(),
        }

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> StrangeModel:
        """Take the model from its lists; raises ``KeyError`` or ``ValueError`` where they break."""
        model = cls(
            scaling_from_plain(plain["scaling"]),
            np.array(plain["chosen"], dtype=np.int64),
            np.array(plain["middle"], dtype=float),
            np.array(plain["precision"], dtype=float),
            np.array(plain["distances"], dtype=float),
            JUDGES[plain.get("judge", "linear")].from_plain(plain["engine"]),
            Calibration.from_plain(plain["calibration"]),
            np.array(plain.get("most", [FAR_CLIP] * len(plain["chosen"])), dtype=float),
        )
        k = len(model.chosen)
        square = (k, k) if k else (0,)  # a list of no lists has no second side
        if any(each.shape != (k,) for each in (model.middle, model.most)) or model.precision.shape != square:
            raise ValueError("middle, precision or most do not fit the chosen measures")
        if model.distances.ndim != 1 or not len(model.distances) or np.any(np.diff(model.distances) < 0):
            raise ValueError("distances do not rise")
        if not all(
            np.all(np.isfinite(each)) for each in (model.middle, model.precision, model.distances, model.most)
        ):
            raise ValueError("a middle, precision, distance or most that is no number")
        if np.any(np.abs(model.most) > FAR_CLIP):
            raise ValueError(f"a most beyond {FAR_CLIP:g}")
        if np.any((model.chosen < 0) | (model.chosen >= len(model.scaling.centre))):
            raise ValueError(f"a chosen measure beyond the {len(model.scaling.centre)} that there are")
        return model


def learn_strangeness(table: Table, *, seed: int = 0, steps: int = 400) -> StrangeModel:
    """Learn the middle of the engine bays and what tells them from other sounds.

    The ranks come from out-of-fold distances, so that a new engine bay is as likely at any rank as another;
    where those of other folds are fewer than two, from distances within one. Needs two engine bays.
    """
    bays = table.engine > 0.5
    values = np.asarray(table.values)
    scaling = learn_scaling(values[bays])
    there = np.isfinite(values[bays]).mean(axis=0)
    varied = np.nan_to_num(np.nanstd(np.where(np.isfinite(values), values, 0.0), axis=0)) > 0
    chosen = np.flatnonzero((there >= MOSTLY_THERE) & varied).astype(np.int64)
    z = scaled(values[bays], scaling, clip_at=FAR_CLIP)[:, chosen]
    most = np.full(len(chosen), FAR_CLIP)
    for place, column in enumerate(chosen):
        name = REPEATED.get(table.measures[column], table.measures[column])
        if any(name in names for names in FOR.values()):
            most[place] = np.quantile(z[:, place], CLEAREST)
    z = np.minimum(z, most)
    fold = plain_folds(table.group[bays], seed=seed)
    far = np.zeros(len(z))
    with one_thread():
        for number in np.unique(fold):
            others = fold != number
            middle, precision = _middle_and_precision(z[others] if others.sum() > 1 else z)
            off = z[fold == number] - middle
            far[fold == number] = np.sqrt(
                np.maximum((off * (off @ precision)).sum(axis=1), 0.0) / len(chosen)
            )
        middle, precision = _middle_and_precision(z)
    fold = plain_folds(table.group, seed=seed)
    odds = out_of_fold(ENGINE_CANDIDATE, values, table.engine, fold, seed=seed)
    engine = fit(ENGINE_CANDIDATE, values, table.engine, seed=seed)
    if not isinstance(engine, (Linear, Boosted)):
        raise TypeError(f"the engine judge must be one of {', '.join(JUDGES)}")
    return StrangeModel(
        scaling,
        chosen,
        middle,
        precision,
        np.quantile(far, np.linspace(0.0, 1.0, steps + 1)),
        engine,
        calibrate(odds, table.engine, fold, laws=("platt",)),
        most,
    )


def _middle_and_precision(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the mean (k,) and the inverse of the shrunk covariance (k, k)."""
    from sklearn.covariance import ledoit_wolf

    middle = z.mean(axis=0)
    covariance, _ = ledoit_wolf(z - middle, assume_centered=True)
    return middle, np.linalg.inv(covariance + 1e-3 * np.eye(len(covariance)))
