"""Which family to keep, judged on clips and on kinds of source that it has never heard.

Two kinds of split. *Plain*: the clips in five parts, each judged by models fitted on the other four; clips
of one group stay together. *Variant left out*: one structural variant of a symptom's source is kept out of
fitting altogether and judged beside a part of the clips without the symptom. A family is compared by its log
loss after calibration, and the simplest within one standard error of the best is kept.

``nested`` judges the whole procedure, choice and calibration included, on clips that took no part in either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.classifier.calibrate import Calibration, calibrate, fit_law, simplest_within_one_error
from audiodiag.classifier.families import Scorer
from audiodiag.classifier.features import IntArray, Mask
from audiodiag.classifier.fitting import CANDIDATES, Candidate, fit, listened_to
from audiodiag.classifier.scores import area_under_curve, brier_score, log_loss, losses
from audiodiag.classifier.table import Table
from audiodiag.records import FloatArray

__all__ = [
    "Chosen",
    "FamilyScore",
    "NestedScore",
    "Split",
    "choose",
    "engine_splits",
    "nested",
    "out_of_fold",
    "plain_folds",
    "variant_splits",
]

FOLDS = 5


@dataclass(frozen=True, eq=False)
class Split:
    """One split: masks of shape (n,) of the clips to fit on and of the clips to judge on."""

    name: str
    fit_on: Mask
    judge_on: Mask


@dataclass(frozen=True)
class FamilyScore:
    """How one candidate did on clips that it was not fitted on, after calibration; NaN where not asked."""

    candidate: str
    log_loss: float
    area_under_curve: float
    brier: float
    variant_log_loss: float


@dataclass(frozen=True, eq=False)
class Chosen:
    """The candidate that is kept for one symptom, fitted and calibrated, and how all candidates did."""

    candidate: Candidate
    model: Scorer
    calibration: Calibration
    scores: tuple[FamilyScore, ...]

    def probability(self, values: FloatArray) -> FloatArray:
        """Give the calibrated probability of each row of ``values`` (n, m)."""
        return self.calibration.probability(self.model.odds(values))


@dataclass(frozen=True, eq=False)
class NestedScore:
    """What the whole procedure said of clips that took no part in it.

    plain, unheard, other_engine: probability, shape (n,), NaN where the clip was not judged: of each clip in
    its fold; of clips made by a variant that was left out, beside clips without the symptom; and
    of clips whose kind of engine was left out. candidates: what was kept in each split of the first two.
    """

    symptom: str
    plain: FloatArray
    unheard: FloatArray
    other_engine: FloatArray
    candidates: tuple[str, ...]


def plain_folds(group: IntArray, *, folds: int = FOLDS, seed: int = 0) -> IntArray:
    """Give every clip the number of its fold, shape (n,); clips of one group share it.

    >>> folds = plain_folds(np.array([7, 7, 8, 9]), folds=2)
    >>> bool(folds[0] == folds[1])
    True
    """
    names, index = np.unique(np.asarray(group), return_inverse=True)
    order = np.random.default_rng(seed).permutation(len(names))
    return (order % folds)[index].astype(np.int64)


def variant_splits(table: Table, symptom: str, fold: IntArray) -> tuple[Split, ...]:
    """Give one split for each structural variant of the symptom's source, where there are at least two.

    Clips of the variant are judged and never fitted on; so is one fold of the clips without the symptom.
    """
    present = table.present[:, table.column(symptom)]
    names = table.variants(symptom)
    if len(names) < 2:
        return ()
    splits = []
    for number, name in enumerate(names):
        made_so = np.array([row.variant.get(symptom) == name for row in table.rows])
        quiet = (present == 0) & (fold == number % (int(fold.max()) + 1))
        splits.append(Split(name, ~made_so & ~quiet, made_so | quiet))
    return tuple(splits)


def engine_splits(table: Table) -> tuple[Split, ...]:
    """Give one split for each kind of engine that made clips, where there are at least two."""
    kinds = np.array([row.variant.get("engine", "") for row in table.rows])
    names = sorted(set(kinds.tolist()) - {""})
    if len(names) < 2:
        return ()
    return tuple(Split(name, kinds != name, kinds == name) for name in names)


def out_of_fold(
    candidate: Candidate,
    values: FloatArray,
    present: FloatArray,
    fold: IntArray,
    *,
    listen: Mask | None = None,
    seed: int = 0,
) -> FloatArray:
    """Give each clip the log-odds of a model that was not fitted on its fold, shape (n,)."""
    odds = np.zeros(len(values))
    for number in np.unique(fold):
        here = fold == number
        odds[here] = fit(candidate, values[~here], present[~here], listen=listen, seed=seed).odds(
            values[here]
        )
    return odds


def _mended(odds: FloatArray, present: FloatArray, fold: IntArray) -> FloatArray:
    """Calibrate log-odds by a line fitted on the other folds, shape (n,)."""
    said = np.zeros(len(odds))
    for number in np.unique(fold):
        here = fold == number
        said[here] = fit_law("platt", odds[~here], present[~here], np.ones((~here).sum())).probability(
            odds[here]
        )
    return said


def choose(
    table: Table,
    symptom: str,
    *,
    seed: int = 0,
    candidates: tuple[Candidate, ...] = CANDIDATES,
    folds: int = FOLDS,
    with_variants: bool = True,
) -> Chosen:
    """Compare the candidates for one symptom, keep the simplest good one, fit and calibrate it.

    The calibration is fitted on out-of-fold log-odds, never on what a model said of its own clips. With
    ``with_variants`` the loss on left-out variants counts as much as that on plain folds.
    """
    known = np.isfinite(table.present[:, table.column(symptom)])
    rows = table.chosen(known)
    values, present = rows.values, np.asarray(rows.present[:, rows.column(symptom)])
    fold = plain_folds(rows.group, folds=folds, seed=seed)
    splits = variant_splits(rows, symptom, fold) if with_variants else ()
    odds, lost, scores = {}, {}, []
    for candidate in candidates:
        listen = listened_to(candidate, rows.measures, symptom)
        own = out_of_fold(candidate, values, present, fold, listen=listen, seed=seed)
        odds[candidate.name] = own
        said = _mended(own, present, fold)
        law = fit_law("platt", own, present, np.ones(len(own)))
        plain = losses(present, said)
        unheard = np.full(len(own), np.nan)
        for split in splits:
            model = fit(candidate, values[split.fit_on], present[split.fit_on], listen=listen, seed=seed)
            unheard[split.judge_on] = losses(
                present[split.judge_on], law.probability(model.odds(values[split.judge_on]))
            )
        judged = np.isfinite(unheard)
        lost[candidate.name] = np.where(judged, 0.5 * (plain + np.nan_to_num(unheard)), plain)
        scores.append(
            FamilyScore(
                candidate.name,
                log_loss(present, said),
                area_under_curve(present, own),
                brier_score(present, said),
                float(unheard[judged].mean()) if judged.any() else float("nan"),
            )
        )
    names = tuple(candidate.name for candidate in sorted(candidates, key=lambda each: each.complexity))
    kept = simplest_within_one_error(lost, names, np.ones(len(values)))
    candidate = next(each for each in candidates if each.name == kept)
    listen = listened_to(candidate, rows.measures, symptom)
    model = fit(candidate, values, present, listen=listen, seed=seed)
    return Chosen(candidate, model, calibrate(odds[kept], present, fold), tuple(scores))


def nested(
    table: Table,
    symptom: str,
    *,
    seed: int = 0,
    candidates: tuple[Candidate, ...] = CANDIDATES,
    folds: int = FOLDS,
) -> NestedScore:
    """Judge the whole procedure for one symptom: inner splits choose and calibrate, outer ones judge."""
    present = table.present[:, table.column(symptom)]
    fold = plain_folds(table.group, folds=folds, seed=seed + 1)
    plain, unheard, other_engine = (np.full(len(table), np.nan) for _ in range(3))
    kept: list[str] = []
    outer = [Split(f"fold {number}", fold != number, fold == number) for number in range(folds)]
    for split in (*outer, *variant_splits(table, symptom, fold)):
        chosen = choose(
            table.chosen(split.fit_on),
            symptom,
            seed=seed,
            candidates=candidates,
            folds=3,
            with_variants=False,
        )
        kept.append(chosen.candidate.name)
        target = plain if split.name.startswith("fold ") else unheard
        target[split.judge_on] = chosen.probability(table.values[split.judge_on])
    usual = tuple(each for each in candidates if each.name == max(sorted(set(kept)), key=kept.count))
    for split in engine_splits(table):
        own = choose(
            table.chosen(split.fit_on), symptom, seed=seed, candidates=usual, folds=3, with_variants=False
        )
        other_engine[split.judge_on] = own.probability(table.values[split.judge_on])
    for said in (plain, unheard, other_engine):
        said[~np.isfinite(present)] = np.nan
    return NestedScore(symptom, plain, unheard, other_engine, tuple(kept))
