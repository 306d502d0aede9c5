"""How well a model does, symptom by symptom and split by level, codec and whatever else the clips differ in.

A *clean* clip is an engine bay without any symptom; an *audible* symptom is one that stands at least
``examples.AUDIBLE_DB`` against the engine. Called present means a probability of at least 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from audiodiag.classifier.conformal import ConformalLimits
from audiodiag.classifier.features import Mask
from audiodiag.classifier.scores import (
    area_under_curve,
    brier_score,
    calibration_error,
    log_loss,
    share_at_least,
)
from audiodiag.classifier.table import Table
from audiodiag.records import FloatArray

__all__ = [
    "Coverage",
    "Share",
    "SymptomScores",
    "TraitShares",
    "any_false_alarm",
    "conformal_coverage",
    "recall_by_level",
    "recall_by_trait",
    "symptom_scores",
]

LEVEL_EDGES_DB = (-30.0, -12.0, -6.0, 0.0, 30.0)


@dataclass(frozen=True)
class Share:
    """A share and the number of clips that it is a share of; NaN where there is none."""

    value: float
    count: int

    def __str__(self) -> str:
        return f"{100 * self.value:.0f} % of {self.count}" if self.count else "none"


@dataclass(frozen=True)
class SymptomScores:
    """How well one symptom is told, over the clips whose truth is known and that were judged."""

    symptom: str
    clips: int
    log_loss: float
    area_under_curve: float
    brier: float
    calibration_error: float
    recall: Share
    recall_audible: Share
    false_alarms_clean: Share
    false_alarms_other_symptom: Share
    false_alarms_elsewhere: Share


@dataclass(frozen=True)
class TraitShares:
    """Recall of audible symptoms and false alarms on clean clips among clips of one kind."""

    recall: Share
    false_alarms: Share


@dataclass(frozen=True)
class Coverage:
    """How many answers hold a truth, *present* or *absent*, and how many are a single word."""

    present: Share
    absent: Share
    single: Share


def symptom_scores(table: Table, symptom: str, probability: FloatArray) -> SymptomScores:
    """Score the probabilities (n,) of one symptom; NaN where a clip was not judged."""
    present, audible, judged = _truth(table, symptom, probability)
    clean, bay = _clean(table), table.engine > 0.5
    there, gone = judged & (present == 1), judged & (present == 0)
    said, true = probability[judged], present[judged]
    return SymptomScores(
        symptom,
        int(judged.sum()),
        log_loss(true, said),
        area_under_curve(true, said),
        brier_score(true, said),
        calibration_error(true, said),
        _called(probability, there),
        _called(probability, there & audible),
        _called(probability, gone & clean),
        _called(probability, gone & bay & ~clean),
        _called(probability, gone & ~bay),
    )


def any_false_alarm(table: Table, probability: FloatArray) -> Share:
    """Give the share of clean clips in which any symptom is called present; ``probability`` is (n, 6)."""
    clean = _clean(table) & np.isfinite(probability).all(axis=1)
    return _called(probability.max(axis=1), clean)


def recall_by_level(table: Table, symptom: str, probability: FloatArray) -> tuple[Share, ...]:
    """Give the recall between the edges ``LEVEL_EDGES_DB`` of the true level."""
    present, _, judged = _truth(table, symptom, probability)
    level = table.level_db[:, table.column(symptom)]
    pairs = pairwise(LEVEL_EDGES_DB)
    return tuple(
        _called(probability, judged & (present == 1) & (level >= low) & (level < high)) for low, high in pairs
    )


def recall_by_trait(
    table: Table, symptom: str, probability: FloatArray, trait: str, value: str
) -> TraitShares:
    """Give recall of audible symptoms and false alarms on clean clips where a trait has a value."""
    present, audible, judged = _truth(table, symptom, probability)
    here = judged & (np.array(table.trait(trait)) == value)
    return TraitShares(
        _called(probability, here & audible & (present == 1)), _called(probability, here & _clean(table))
    )


def conformal_coverage(present: FloatArray, probability: FloatArray, limits: ConformalLimits) -> Coverage:
    """Judge the answers by ``limits`` on clips that they were not learnt from, shape (n,)."""
    truth = np.asarray(present) > 0.5
    answers = np.array([limits.answer(float(p)) for p in probability])

    def share(words: tuple[str, ...], which: Mask) -> Share:
        found = np.isin(answers[which], words)
        return Share(float(found.mean()) if len(found) else float("nan"), len(found))

    return Coverage(
        share(("present", "either"), truth),
        share(("absent", "either"), ~truth),
        share(("present", "absent"), np.ones(len(truth), dtype=bool)),
    )


def _truth(table: Table, symptom: str, probability: FloatArray) -> tuple[FloatArray, Mask, Mask]:
    """Give truth, audibility and whether it was judged, shape (n,) each."""
    column = table.column(symptom)
    present = table.present[:, column]
    return present, table.audible[:, column] > 0.5, np.isfinite(present) & np.isfinite(probability)


def _clean(table: Table) -> Mask:
    """Tell the engine bays in which every symptom is known to be absent, shape (n,)."""
    return (table.engine > 0.5) & (table.present == 0).all(axis=1)


def _called(probability: FloatArray, which: Mask) -> Share:
    """Give the share of the chosen clips that are called present."""
    return Share(share_at_least(probability[which]), int(which.sum()))
