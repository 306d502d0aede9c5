"""The choice of a family, and that splits keep apart what they say they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.classifier.compare import (
    Apart,
    bay_splits,
    choose,
    engine_splits,
    nested,
    out_of_fold,
    plain_folds,
    variant_splits,
)
from audiodiag.classifier.fitting import CANDIDATES, TREES
from audiodiag.classifier.scores import area_under_curve, calibration_error
from audiodiag.classifier.table import Row, Table

QUICK = (CANDIDATES[0], CANDIDATES[1])


def test_clips_of_one_group_share_a_fold() -> None:
    group = np.repeat(np.arange(40), 3)
    fold = plain_folds(group, folds=5, seed=2)
    assert all(len(set(fold[group == each])) == 1 for each in range(40))
    assert sorted(np.unique(fold)) == [0, 1, 2, 3, 4]


def test_a_fold_hangs_on_the_group_and_the_seed_alone() -> None:
    group = np.r_[np.arange(1500), 4_000_000_000 + np.arange(75)]
    fold = plain_folds(group, folds=5, seed=2)
    assert np.bincount(fold).tolist() == [315] * 5, "seeds in a row are shared out evenly"
    some = np.random.default_rng(0).permutation(len(group))[:400]
    assert np.array_equal(plain_folds(group[some], folds=5, seed=2), fold[some])
    other = plain_folds(group, folds=5, seed=3)
    assert 0.1 < np.mean(other == fold) < 0.3, "another seed draws other folds"
    apart = np.bincount(plain_folds(np.random.default_rng(1).integers(0, 2**40, 1000), folds=5))
    assert apart.min() > 150, "so are groups far from each other, nearly"


def test_a_left_out_variant_is_never_fitted_on(made_up_table: Table) -> None:
    fold = plain_folds(made_up_table.group)
    splits = variant_splits(made_up_table, "belt_chirp", fold)
    assert [split.name for split in splits] == ["a", "b"]
    for split in splits:
        made_so = np.array([row.variant.get("belt_chirp") == split.name for row in made_up_table.rows])
        assert not np.any(split.fit_on & made_so)
        assert np.all(split.judge_on[made_so])
        assert not np.any(split.fit_on & split.judge_on)
        quiet = made_up_table.present[:, made_up_table.column("belt_chirp")] == 0
        assert (split.judge_on & quiet).sum() > 20


def test_a_left_out_engine_is_never_fitted_on(made_up_table: Table) -> None:
    splits = engine_splits(made_up_table)
    assert [split.name for split in splits] == ["diesel", "petrol"]
    for split in splits:
        made_so = np.array([row.variant.get("engine") == split.name for row in made_up_table.rows])
        assert np.array_equal(split.judge_on, made_so)
        assert np.array_equal(split.fit_on, ~made_so)


def two_bays(count: int = 400, seed: int = 5, names: tuple[str, ...] = ("first", "apart")) -> Table:
    """Rows of some bays in which one measure tells the symptom, but in one bay from another height on."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(count):
        bay, there = names[number % len(names)], bool(rng.random() < 0.4)
        height = rng.normal(2.0 * there + (2.5 if bay == "apart" else 0.0), 0.7)
        rows.append(
            Row(str(number), number, {"whine_db": height}, {"pump_whine": there}, traits={"bay": bay})
        )
    return Table.of(rows)


def test_a_left_out_bay_is_never_fitted_on() -> None:
    table = two_bays()
    bays = np.array(table.trait("bay"))
    splits = bay_splits(table, "pump_whine", plain_folds(table.group))
    assert [split.name for split in splits] == ["apart", "first"]
    for split in splits:
        assert np.array_equal(split.judge_on, bays == split.name)
        assert np.array_equal(split.fit_on, bays != split.name)
    assert bay_splits(table.chosen(bays == "first"), "pump_whine", plain_folds(np.arange(200))) == ()


def test_of_three_bays_each_in_turn_is_left_out_and_judged_by_the_other_two() -> None:
    table = two_bays(600, names=("first", "apart", "afresh"))
    bays, fold = np.array(table.trait("bay")), plain_folds(table.group)
    splits = bay_splits(table, "pump_whine", fold)
    assert [split.name for split in splits] == ["afresh", "apart", "first"]
    judged = np.sum([split.judge_on for split in splits], axis=0)
    assert np.all(judged == 1)
    for split in splits:
        assert set(bays[split.fit_on]) == {"first", "apart", "afresh"} - {split.name}
        assert set(bays[split.judge_on]) == {split.name}
    said = nested(table, "pump_whine", candidates=QUICK, folds=3).other_bay
    assert np.all(np.isfinite(said))
    inner = bay_splits(table.chosen(bays != "first"), "pump_whine", fold[bays != "first"])
    assert [split.name for split in inner] == ["afresh", "apart"]


def test_what_tells_little_of_another_bay_is_said_with_little_confidence() -> None:
    """Within each bay the measure tells well; from one bay to the other it does not."""
    table = two_bays()
    here = table.chosen(np.array(table.trait("bay")) == "first")
    strange = choose(table, "pump_whine", candidates=QUICK).probability(table.values)
    familiar = choose(here, "pump_whine", candidates=QUICK).probability(here.values)
    assert np.ptp(familiar) > 0.9
    assert np.ptp(strange) < 0.5 * np.ptp(familiar)


def test_what_was_said_apart_knows_neither_the_fold_nor_the_bay() -> None:
    table = two_bays()
    apart = choose(table, "pump_whine", candidates=QUICK[1:]).apart
    own, away = apart.probabilities()
    assert own.shape == away.shape == apart.present.shape == (len(table),)
    first = np.array(table.trait("bay")) == "first"
    turned = [
        replace(row, present={"pump_whine": not row.present["pump_whine"]}) if there else row
        for row, there in zip(table.rows, first, strict=True)
    ]
    unheard = choose(Table.of(turned), "pump_whine", candidates=QUICK[1:]).apart.away
    assert np.array_equal(unheard[first], apart.away[first]), "a model heard the bay that it was to judge"
    assert not np.array_equal(unheard[~first], apart.away[~first])
    one = table.chosen(first)
    alone = choose(one, "pump_whine", candidates=QUICK[1:]).apart
    assert np.array_equal(alone.own, alone.away), "one bay cannot be left out"
    wrong = np.where(apart.fold == 0, 1.0 - apart.present, apart.present)
    again = Apart(
        apart.own, apart.away, wrong, apart.weight, apart.fold, apart.right, apart.trust, apart.group
    )
    here = apart.fold == 0
    assert np.array_equal(again.probabilities()[0][here], own[here]), "a law was fitted on its own fold"
    assert not np.array_equal(again.probabilities()[0][~here], own[~here])


def test_out_of_fold_odds_know_nothing_of_random_truth() -> None:
    rng = np.random.default_rng(0)
    values, present = rng.normal(size=(200, 30)), (rng.random(200) < 0.5).astype(float)
    odds = out_of_fold(CANDIDATES[2], values, present, np.arange(200) % 5)
    assert area_under_curve(present, odds) == pytest.approx(0.5, abs=0.12)


def test_the_simple_family_is_kept_where_it_suffices(made_up_table: Table) -> None:
    chosen = choose(made_up_table, "belt_squeal", candidates=(CANDIDATES[1], CANDIDATES[4]))
    assert chosen.candidate.kind == "linear"
    assert [score.candidate for score in chosen.scores] == [CANDIDATES[1].name, CANDIDATES[4].name]
    assert all(score.area_under_curve > 0.85 for score in chosen.scores)


def test_an_intricate_family_is_kept_where_it_is_needed() -> None:
    """Present where exactly one of two measures is high: no sum of measures can tell that."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=(400, 2))
    there = (values[:, 0] > 0) ^ (values[:, 1] > 0)
    rows = [
        Row(str(i), i, {"one": v[0], "two": v[1]}, {"pump_whine": bool(t)})
        for i, (v, t) in enumerate(zip(values, there, strict=True))
    ]
    chosen = choose(Table.of(rows), "pump_whine", candidates=(CANDIDATES[1], TREES[0]))
    assert chosen.candidate.kind == "boosted"


def test_nested_probabilities_are_calibrated(
    made_up_table: Table,
) -> None:
    scored = nested(made_up_table, "relief_hiss", candidates=QUICK)
    present = made_up_table.present[:, made_up_table.column("relief_hiss")]
    assert np.all(np.isfinite(scored.plain))
    alone = made_up_table.values[:, made_up_table.measures.index("relief_hiss_score")]
    assert area_under_curve(present, scored.plain) > area_under_curve(present, alone) - 0.04
    assert calibration_error(present, scored.plain, bins=5) < 0.07
    judged = np.isfinite(scored.unheard)
    assert np.all(judged[present == 1])
    assert len(scored.candidates) == 5 + 2
    bays = made_up_table.engine > 0.5
    assert np.array_equal(np.isfinite(scored.other_engine), bays)
    assert not np.allclose(scored.unheard[judged], scored.plain[judged])
