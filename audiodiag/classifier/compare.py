"""Which family to keep, judged on clips and on kinds of source that it has never heard.

Three kinds of split. *Plain*: the clips in five parts, each judged by models fitted on the other four; clips
of one group stay together. *Variant left out*: one structural variant of a symptom's source is kept out of
fitting altogether and judged beside a part of the clips without the symptom. *Bay left out*: all clips of one
simulation of engine bays are judged by a model fitted on the others. A family is compared by its log loss
after calibration, and the simplest within one standard error of the best is kept.

Where there are several bays, probabilities are calibrated half on what models said of a bay that they had
never heard and half on clips of bays that they knew: a car is no bay of the training, but all bays teach more
of it than those without one teach of that one. The limits of the conformal answers are taken likewise.

Most measures hang on the engine speed. What is said at a right and at a wrong speed is calibrated apart, and
a clip gets the mean of both, weighed by the confidence in its speed. A symptom that can be heard without any
speed has a second model, of the measures that hang on no order (``leanings.SPEEDLESS``), for a wrong speed.

A probability is that of a symptom being *audibly* there. A clip that holds it counts for as much as its level
makes it likely that somebody hears it (``audibility``); what nobody hears is neither learnt as present nor as
absent.

``nested`` judges the whole procedure, choice and calibration included, on clips that took no part in either.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audiodiag.classifier.calibrate import (
    Believed,
    Calibration,
    Speedless,
    believed,
    calibrate,
    fit_law,
    held_back,
    simplest_within_one_error,
)
from audiodiag.classifier.examples import AUDIBLE_DB
from audiodiag.classifier.families import Scorer, probability_of
from audiodiag.classifier.features import IntArray, Mask
from audiodiag.classifier.fitting import CANDIDATES, FEWEST, HELD_KINKED, Candidate, fit, listened_to
from audiodiag.classifier.leanings import SPEEDLESS, leanings
from audiodiag.classifier.scores import area_under_curve, brier_score, log_loss, losses
from audiodiag.classifier.table import Table
from audiodiag.records import FloatArray

__all__ = [
    "Apart",
    "Chosen",
    "FamilyScore",
    "NestedScore",
    "Split",
    "audibility",
    "bay_splits",
    "choose",
    "engine_splits",
    "nested",
    "out_of_fold",
    "plain_folds",
    "variant_splits",
]

FOLDS = 5

AUDIBLE_SPREAD_DB = 3.0
"""How softly a symptom goes from heard to unheard around ``AUDIBLE_DB``: assumed, no published source."""


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
    bay_log_loss: float


@dataclass(frozen=True, eq=False)
class Apart:
    """What models said of clips that they were not fitted on, shape (n,) each, and what the clips are.

    own: log-odds of a model that was not fitted on the clip's fold. away: of one that never heard its bay
    either, ``own`` again where there is no such model. trust: confidence in the speed, None without one.
    group: clips that come from one another are of one. speedless: ``own`` and ``away`` of the model of the
    measures that hang on no order, shape (2, n), None where there is none.
    """

    own: FloatArray
    away: FloatArray
    present: FloatArray
    weight: FloatArray
    fold: IntArray
    right: FloatArray
    trust: FloatArray | None
    group: IntArray
    speedless: FloatArray | None = None

    def law(self, which: Mask | None = None, *, trust: int | None = 0) -> Believed:
        """Calibrate on ``which`` (n,) of the clips, half on ``own`` and half on ``away``.

        trust: the column of the measurements that the law shall read the confidence in the speed from.
        """
        w = np.ones(len(self.own), dtype=bool) if which is None else which
        return believed(
            np.concatenate([self.own[w], self.away[w]]),
            np.tile(self.present[w], 2),
            np.tile(self.fold[w], 2),
            weight=np.tile(0.5 * self.weight[w], 2),
            right=np.tile(self.right[w], 2),
            trust=None if self.trust is None else trust,
            fewest=2 * FEWEST,
            group=np.tile(self.group[w], 2),
        )

    def speedless_law(self, which: Mask | None = None) -> Calibration:
        """Calibrate the model of the measures that hang on no order, on ``which`` (n,) of all clips."""
        w = np.ones(len(self.own), dtype=bool) if which is None else which
        if self.speedless is None:
            raise ValueError("no model of measures that hang on no order")
        return calibrate(
            self.speedless[:, w].ravel(),
            np.tile(self.present[w], 2),
            np.tile(self.fold[w], 2),
            weight=np.tile(0.5 * self.weight[w], 2),
            group=np.tile(self.group[w], 2),
        )

    def probabilities(self) -> tuple[FloatArray, FloatArray]:
        """Give the probabilities of ``own`` and ``away``, by laws that were not fitted on the clip's fold."""
        values = np.zeros((len(self.own), 1)) if self.trust is None else self.trust[:, None]
        said = np.full((2, len(self.own)), np.nan)
        for number in np.unique(self.fold):
            here = self.fold == number
            law = self.law(~here)
            alone = None if self.speedless is None or law.astray is None else self.speedless_law(~here)
            for place, odds in enumerate((self.own, self.away)):
                other = None
                if alone is not None and self.speedless is not None:
                    other = held_back(alone.probability(self.speedless[place, here]))
                said[place, here] = law.said(odds[here], law.trusted(values[here]), other)
        return said[0], said[1]


@dataclass(frozen=True, eq=False)
class Chosen:
    """The candidate that is kept for one symptom, fitted and calibrated, and how all candidates did.

    apart: what the calibration was fitted on.
    """

    candidate: Candidate
    model: Scorer
    calibration: Believed
    scores: tuple[FamilyScore, ...]
    apart: Apart

    def probability(self, values: FloatArray) -> FloatArray:
        """Give the calibrated probability of each row of ``values`` (n, m)."""
        return self.calibration.probability(self.model.odds(values), values)


@dataclass(frozen=True, eq=False)
class NestedScore:
    """What the whole procedure said of clips that took no part in it.

    plain, unheard, other_engine, other_bay: probability, shape (n,), NaN where the clip was not judged: of
    each clip in its fold; of clips made by a variant that was left out, beside clips without the symptom; of
    clips whose kind of engine was left out; and of clips whose whole simulation was left out. candidates:
    what was kept in each split of the first two.
    """

    symptom: str
    plain: FloatArray
    unheard: FloatArray
    other_engine: FloatArray
    other_bay: FloatArray
    candidates: tuple[str, ...]


def audibility(table: Table, symptom: str) -> FloatArray:
    """Tell how much each clip counts for a symptom, shape (n,): the chance that somebody hears it there.

    A logistic law of its level against the engine, a half at ``AUDIBLE_DB``. Clips without the symptom, and
    those whose level nobody knows, count whole.

    >>> from audiodiag.classifier.table import Row
    >>> faint = Row("a", 1, {}, {"pump_whine": True}, level_db={"pump_whine": AUDIBLE_DB})
    >>> audibility(Table.of([faint, Row("b", 2, {}, {"pump_whine": False})]), "pump_whine").tolist()
    [0.5, 1.0]
    """
    column = table.column(symptom)
    level = table.level_db[:, column]
    heard = probability_of((np.nan_to_num(level) - AUDIBLE_DB) / AUDIBLE_SPREAD_DB)
    return np.where((table.present[:, column] == 1) & np.isfinite(level), heard, 1.0)


def plain_folds(group: IntArray, *, folds: int = FOLDS, seed: int = 0) -> IntArray:
    """Give every clip the number of its fold, shape (n,); clips of one group share it.

    The fold hangs on the group and the seed alone, so that no clip moves another to another fold. Of
    ``folds`` groups that follow each other, as the seeds of a training do, each gets a fold of its own, in an
    order drawn for them: the folds are even.

    >>> folds = plain_folds(np.array([6, 6, 7, 8]), folds=2)
    >>> bool(folds[0] == folds[1]), bool(folds[1] != folds[2])
    (True, True)
    >>> bool(folds[0] == plain_folds(np.array([6]), folds=2)[0])
    True
    """
    names, index = np.unique(np.asarray(group), return_inverse=True)
    block, place = np.divmod(names, folds)
    order = {
        int(number): np.random.default_rng([seed, folds, int(number) % 2**64]).permutation(folds)
        for number in np.unique(block)
    }
    of = np.array([order[int(b)][p] for b, p in zip(block, place, strict=True)], dtype=np.int64)
    return of[index]


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


def bay_splits(table: Table, symptom: str, fold: IntArray) -> tuple[Split, ...]:
    """Give one split for each simulation of engine bays, where two have enough clips with the symptom.

    Clips of the bay are judged and never fitted on; so is a part of the clips that come from no such bay.
    """
    bays = np.array(table.trait("bay"))
    present = table.present[:, table.column(symptom)]
    enough = {
        name: min(int((present[bays == name] == 1).sum()), int((present[bays == name] == 0).sum())) >= FEWEST
        for name in sorted(set(bays.tolist()) - {""})
    }
    names = [name for name, there in enough.items() if there]
    if len(names) < 2:
        return ()
    neither = ~np.isin(bays, names)
    splits = []
    for number, name in enumerate(names):
        judged = (bays == name) | (neither & (fold % len(names) == number))
        splits.append(Split(name, ~judged, judged))
    return tuple(splits)


def out_of_fold(
    candidate: Candidate,
    values: FloatArray,
    present: FloatArray,
    fold: IntArray,
    *,
    weight: FloatArray | None = None,
    listen: Mask | None = None,
    lean: FloatArray | None = None,
    recording: IntArray | None = None,
    seed: int = 0,
) -> FloatArray:
    """Give each clip the log-odds of a model that was not fitted on its fold, shape (n,)."""
    odds = np.zeros(len(values))
    weight = np.ones(len(values)) if weight is None else weight
    for number in np.unique(fold):
        here = fold == number
        model = fit(
            candidate,
            values[~here],
            present[~here],
            weight=weight[~here],
            listen=listen,
            lean=lean,
            recording=None if recording is None else recording[~here],
            seed=seed,
        )
        odds[here] = model.odds(values[here])
    return odds


def _other_bay(
    candidate: Candidate,
    values: FloatArray,
    present: FloatArray,
    splits: tuple[Split, ...],
    *,
    weight: FloatArray,
    listen: Mask,
    lean: FloatArray,
    recording: IntArray,
    seed: int,
) -> FloatArray:
    """Give each clip the log-odds of a model that never heard its bay, shape (n,), NaN where none did.

    Fewer clips count for more, so that the penalty on the weights is that of a model fitted on all.
    """
    odds = np.full(len(values), np.nan)
    for split in splits:
        on, judged = split.fit_on, split.judge_on
        more = weight[on] * weight.sum() / max(float(weight[on].sum()), 1.0)
        how: dict[str, Any] = {"listen": listen, "lean": lean, "recording": recording[on], "seed": seed}
        model = fit(candidate, values[on], present[on], weight=more, **how)
        odds[judged] = model.odds(values[judged])
    return odds


def _mended(odds: FloatArray, present: FloatArray, fold: IntArray, weight: FloatArray) -> FloatArray:
    """Calibrate log-odds by a line fitted on the other folds, shape (n,)."""
    said = np.zeros(len(odds))
    for number in np.unique(fold):
        here = fold == number
        law = fit_law("platt", odds[~here], present[~here], weight[~here])
        said[here] = law.probability(odds[here])
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

    The calibration is fitted on what models said out of fold and, where bays can be left out, as much on what
    they said of bays that they never heard; never on what a model said of its own clips. The loss on left-out
    bays counts as much as those on plain folds and, ``with_variants``, on left-out variants together.
    """
    known = np.isfinite(table.present[:, table.column(symptom)])
    rows = table.chosen(known)
    values, present = rows.values, np.asarray(rows.present[:, rows.column(symptom)])
    weight = audibility(rows, symptom)
    fold = plain_folds(rows.group, folds=folds, seed=seed)
    splits = variant_splits(rows, symptom, fold) if with_variants else ()
    bays = bay_splits(rows, symptom, fold)
    lean, recording = leanings(rows.measures, symptom), rows.recording
    odds: dict[str, tuple[FloatArray, FloatArray]] = {}
    lost: dict[str, FloatArray] = {}
    scores = []
    for candidate in candidates:
        listen = listened_to(candidate, rows.measures, symptom)
        how: dict[str, Any] = {"listen": listen, "lean": lean, "recording": recording, "seed": seed}
        own = out_of_fold(candidate, values, present, fold, weight=weight, **how)
        away = _other_bay(candidate, values, present, bays, weight=weight, **how)
        odds[candidate.name] = (own, np.where(np.isfinite(away), away, own))
        said = _mended(own, present, fold, weight)
        law = fit_law("platt", own, present, weight)
        plain = losses(present, said)
        unheard = np.full(len(own), np.nan)
        for split in splits:
            on, judged = split.fit_on, split.judge_on
            there_only = how | {"recording": recording[on]}
            model = fit(candidate, values[on], present[on], weight=weight[on], **there_only)
            unheard[judged] = losses(present[judged], law.probability(model.odds(values[judged])))
        elsewhere = np.full(len(own), np.nan)
        there = np.isfinite(away)
        elsewhere[there] = losses(present[there], law.probability(away[there]))
        known = np.nanmean([plain, unheard], axis=0)
        lost[candidate.name] = np.nanmean([known, elsewhere], axis=0)
        scores.append(
            FamilyScore(
                candidate.name,
                log_loss(present, said, weight),
                area_under_curve(present, own),
                brier_score(present, said, weight),
                _mean_known(unheard, weight),
                _mean_known(elsewhere, weight),
            )
        )
    names = tuple(candidate.name for candidate in sorted(candidates, key=lambda each: each.complexity))
    kept = simplest_within_one_error(lost, names, weight, rows.group)
    candidate = next(each for each in candidates if each.name == kept)
    how = {"listen": listened_to(candidate, rows.measures, symptom), "lean": lean}
    model = fit(candidate, values, present, weight=weight, recording=recording, seed=seed, **how)
    trust = None if rows.trust is None else values[:, rows.trust]
    alone = None if trust is None else _speedless(rows, symptom, fold, bays, seed=seed)
    apart = Apart(*odds[kept], present, weight, fold, rows.speed_right, trust, rows.group, alone and alone[1])
    laws = apart.law(trust=rows.trust)
    if alone is not None and laws.astray is not None:
        laws = replace(laws, speedless=Speedless(alone[0], apart.speedless_law()))
    return Chosen(candidate, model, laws, tuple(scores), apart)


def _speedless(
    rows: Table, symptom: str, fold: IntArray, bays: tuple[Split, ...], *, seed: int
) -> tuple[Scorer, FloatArray] | None:
    """Fit the model of the measures that hang on no order, and what such models say of clips apart, (2, n).

    None for a symptom, or a table, without such measures.
    """
    listen = np.isin(rows.measures, SPEEDLESS.get(symptom, ()))
    if not listen.any():
        return None
    present, weight = np.asarray(rows.present[:, rows.column(symptom)]), audibility(rows, symptom)
    how: dict[str, Any] = {
        "listen": listen,
        "lean": leanings(rows.measures, symptom),
        "recording": rows.recording,
        "seed": seed,
    }
    own = out_of_fold(HELD_KINKED, rows.values, present, fold, weight=weight, **how)
    away = _other_bay(HELD_KINKED, rows.values, present, bays, weight=weight, **how)
    model = fit(HELD_KINKED, rows.values, present, weight=weight, **how)
    return model, np.stack([own, np.where(np.isfinite(away), away, own)])


def _mean_known(values: FloatArray, weight: FloatArray) -> float:
    """Give the weighed mean of what is known, NaN where nothing is."""
    known = np.isfinite(values)
    return float(np.average(values[known], weights=weight[known])) if known.any() else float("nan")


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
    plain, unheard, other_engine, other_bay = (np.full(len(table), np.nan) for _ in range(4))
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
    for target, splits in (
        (other_engine, engine_splits(table)),
        (other_bay, bay_splits(table, symptom, fold)),
    ):
        for split in splits:
            own = choose(
                table.chosen(split.fit_on), symptom, seed=seed, candidates=usual, folds=3, with_variants=False
            )
            target[split.judge_on] = own.probability(table.values[split.judge_on])
    for said in (plain, unheard, other_engine, other_bay):
        said[~np.isfinite(present)] = np.nan
    return NestedScore(symptom, plain, unheard, other_engine, other_bay, tuple(kept))
