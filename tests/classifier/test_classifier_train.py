"""Training from plan to files, labelled clips of one's own, and that all of it repeats."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audiodiag.classifier import labels
from audiodiag.classifier import train as training
from audiodiag.classifier.card import card_text
from audiodiag.classifier.compare import plain_folds
from audiodiag.classifier.conformal import learn_limits
from audiodiag.classifier.examples import (
    BAYS,
    PASSED_ON_HZ,
    Recipe,
    gain_moved,
    others,
    passed_on,
    plan,
    rows_from_recipes,
    simulated_row,
)
from audiodiag.classifier.fitting import CANDIDATES
from audiodiag.classifier.judged import any_false_alarm, conformal_coverage, recall_by_level, symptom_scores
from audiodiag.classifier.labels import labels_from_plain, read_labels, workshop_rows
from audiodiag.classifier.store import Model, load_model, model_to_text
from audiodiag.classifier.strange import learn_strangeness
from audiodiag.classifier.table import PASSED_ON, Row, Table
from audiodiag.errors import ClipError, UsageError
from audiodiag.options import TRAIN_OPTIONS
from audiodiag.records import SYMPTOMS
from audiodiag.simulation import BaySettings
from audiodiag.simulation.plan import draw_plan
from tests.classifier.made_up import made_up_rows


def made_row(recipe: Recipe) -> Row:
    """Stand in for a simulated and measured clip; at the top of the module, so that processes can find it."""
    return made_up_rows(1, recipe.seed)[0]


def test_a_plan_depends_on_the_seed_alone() -> None:
    assert plan(50, seed=3)[:20] == plan(20, seed=3)
    assert not set(plan(200, seed=3)) & set(plan(200, seed=4))
    recipes = plan(600, seed=0)
    assert np.mean([recipe.engine for recipe in recipes]) == pytest.approx(0.88, abs=0.04)
    assert np.mean([recipe.cylinders_told for recipe in recipes]) == pytest.approx(0.5, abs=0.07)
    bays = [recipe.bay for recipe in recipes if recipe.engine]
    for bay in BAYS:
        assert np.mean([each == bay for each in bays]) == pytest.approx(1 / 3, abs=0.06)


@pytest.mark.parametrize("bay", BAYS)
def test_a_clip_comes_from_the_bay_of_its_recipe(bay: str) -> None:
    row = simulated_row(Recipe(seed=9, engine=True, cylinders_told=False, duration_s=4.0, bay=bay))
    assert row.traits["bay"] == bay
    assert row.variant["engine"].startswith("" if bay == "first" else f"{bay} ")
    assert (bay == "first") == (" " not in row.variant["engine"])


def test_every_second_clip_is_heard_again_at_a_lower_rate_and_every_sixth_coded_again() -> None:
    recipes = plan(60, seed=3) + others(60, seed=3)
    again = passed_on(recipes)
    lower = [recipe for recipe in again if not recipe.coded_again]
    assert len(lower) == len(recipes) // 2 and len(again) - len(lower) == len(recipes) // 6
    assert {recipe.passed_on_hz for recipe in lower} == set(PASSED_ON_HZ)
    assert {recipe.passed_on_hz for recipe in again if recipe.coded_again} == {None}
    assert len({recipe.seed for recipe in again}) == len(again)
    assert not set(again) & set(recipes)
    assert passed_on(plan(200, seed=3))[:30] == again[:30]


def test_a_clip_that_is_passed_on_keeps_its_truth_and_loses_its_highs() -> None:
    recipe = Recipe(seed=5, engine=True, cylinders_told=True, duration_s=4.0)
    first, again = simulated_row(recipe), simulated_row(replace(recipe, passed_on_hz=16000))
    assert first is not None and again is not None
    assert (again.group, again.present, again.level_db) == (first.group, first.present, first.level_db)
    assert again.name != first.name
    assert first.measurements["band_top_hz"] > 9000 > 8001 > again.measurements["band_top_hz"]


def test_a_clip_that_is_coded_again_keeps_its_truth_and_much_of_its_sound() -> None:
    recipe = Recipe(seed=9, engine=True, cylinders_told=True, duration_s=4.0)
    first, again = simulated_row(recipe), simulated_row(replace(recipe, coded_again=True))
    assert first is not None and again is not None
    assert (again.group, again.present, again.level_db) == (first.group, first.present, first.level_db)
    assert again.name != first.name and again.traits[PASSED_ON] == "coded again"
    assert Table.of([first, again]).recording.tolist() == [0, 0]
    held, moved = (each.measurements["engine_comb_db"] for each in (first, again))
    assert moved != held and moved == pytest.approx(held, abs=3.0)


def test_a_telephone_clip_is_not_coded_again() -> None:
    settings = BaySettings(duration_s=4.0)
    seed = next(number for number in range(500) if draw_plan(number, settings).codec == "3gp")
    recipe = Recipe(seed=seed, engine=True, cylinders_told=False, duration_s=4.0, coded_again=True)
    assert simulated_row(recipe) is None


def test_a_copy_shares_the_recording_of_the_one_clip_that_it_can_come_from() -> None:
    rows = made_up_rows(6, 1)
    groups, copies = (4, 4, 5, 5, 5, 6), (False, True, False, False, True, True)
    table = Table.of(
        replace(row, group=group, traits=row.traits | ({PASSED_ON: "16000 Hz"} if copy else {}))
        for row, group, copy in zip(rows, groups, copies, strict=True)
    )
    assert table.recording.tolist() == [0, 0, 2, 3, 4, 5]


def test_gain_moves_in_half_of_what_is_passed_on() -> None:
    hum = np.cos(np.arange(80_000) / 8.0).astype(np.float32)
    moved = [gain_moved(hum, 8000, np.random.default_rng(seed)) for seed in range(40)]
    level_db = [10 * np.log10(np.mean(each.reshape(100, -1) ** 2, axis=1)) for each in moved]
    ranges = [float(np.percentile(each, 95) - np.percentile(each, 5)) for each in level_db]
    assert min(ranges) > 1.0 and max(ranges) < 20.0 and 3.0 < np.median(ranges) < 12.0
    assert all(each.dtype == np.float32 and np.abs(each).max() <= 1.0 for each in moved)
    recipes = [Recipe(seed, engine=False, cylinders_told=False, duration_s=4.0) for seed in (6, 8, 10, 12)]
    rates = [replace(recipe, passed_on_hz=16000) for recipe in recipes]
    shift = []
    for recipe, rate in zip(recipes, rates, strict=True):
        first, again = simulated_row(recipe), simulated_row(rate)
        if first is not None and again is not None:
            shift.append(abs(again.measurements["level_range_db"] - first.measurements["level_range_db"]))
    assert max(shift) > 1.0


def test_a_clip_recorded_at_the_rate_it_would_be_passed_on_at_gives_no_row() -> None:
    recipe = Recipe(seed=5, engine=False, cylinders_told=False, duration_s=4.0, passed_on_hz=44100)
    assert simulated_row(recipe) is None
    assert rows_from_recipes([recipe], make=lambda _: None) == []


def test_rows_come_in_the_order_of_the_plan_whatever_the_workers(tmp_path: Path) -> None:
    recipes = plan(6, seed=2)
    counted: list[tuple[int, int]] = []
    alone = rows_from_recipes(recipes, make=made_row, progress=lambda done, of: counted.append((done, of)))
    shared = rows_from_recipes(recipes, make=made_row, workers=2)
    assert [row.group // 100_000 for row in alone] == [recipe.seed for recipe in recipes]
    assert str(alone) == str(shared)
    assert counted[-1] == (6, 6)


def test_kept_rows_are_found_again(tmp_path: Path) -> None:
    recipes = plan(4, seed=2)
    first = rows_from_recipes(recipes, make=made_row, keep_in=tmp_path)

    def refuse(recipe: Recipe) -> Row:
        raise AssertionError("made again")

    assert str(rows_from_recipes(recipes, make=refuse, keep_in=tmp_path)) == str(first)
    for file in tmp_path.iterdir():
        file.write_text("{")
    with pytest.raises(AssertionError, match="made again"):
        rows_from_recipes(recipes, make=refuse, keep_in=tmp_path)


def test_a_simulated_row_repeats_to_the_bit_and_carries_its_truth() -> None:
    recipe = Recipe(seed=5, engine=True, cylinders_told=True, duration_s=4.0)
    one, two = simulated_row(recipe), simulated_row(recipe)
    assert str(one) == str(two)
    assert set(one.present) == set(SYMPTOMS)
    assert sum(math.isfinite(value) for value in one.measurements.values()) > 20
    assert one.traits["source"] == "simulated"
    other = simulated_row(Recipe(seed=6, engine=False, cylinders_told=False, duration_s=4.0))
    assert not other.engine
    assert not any(other.present.values())


def light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put made-up rows in the place of simulated clips and a quick family in that of all."""
    monkeypatch.setattr(
        training, "rows_from_recipes", lambda recipes, **_: [made_row(recipe) for recipe in recipes]
    )
    monkeypatch.setitem(training.train_on_rows.__kwdefaults__, "candidates", CANDIDATES[:1])


def test_two_trainings_give_the_same_files(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    light(monkeypatch)
    told: list[str] = []
    files = []
    for name in ("one", "two"):
        written = training.train(clips=80, seed=1, out=tmp_path / name, demo=tmp_path, tell=told.append)
        files.append((written.model.read_bytes(), written.card.read_bytes()))
    assert files[0] == files[1]
    assert "trained 6 of 6 symptoms" in told[-1]
    load_model(tmp_path / "one" / "symptoms.json")
    another = training.train(clips=80, seed=2, out=tmp_path / "three", demo=tmp_path, thorough=False)
    assert another.model.read_bytes() != files[0][0]


def test_the_command_writes_both_files(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    light(monkeypatch)
    monkeypatch.setitem(training.train_on_rows.__kwdefaults__, "thorough", False)
    monkeypatch.setattr(training, "shipped_folder", lambda name: tmp_path)
    args = argparse.Namespace(clips=80, seed=0, out=tmp_path / "new", workers=1, add=None)
    assert training.train_command(args) == 0
    out, err = capsys.readouterr()
    assert out.splitlines() == [
        f"Model: {tmp_path / 'new' / 'symptoms.json'}",
        f"Card:  {tmp_path / 'new' / 'CARD.md'}",
    ]
    assert "trained 6 of 6 symptoms" in err
    assert sorted(file.name for file in (tmp_path / "new").iterdir()) == ["CARD.md", "symptoms.json"]


@pytest.mark.parametrize("option", ["out", "keep_in"])
@pytest.mark.parametrize("below", ["", "deeper"])
def test_a_folder_that_is_a_file_is_refused_before_the_work(option: str, below: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    folders = {"out": tmp_path / "out", "keep_in": tmp_path / "kept"} | {option: tmp_path / "file" / below}
    with pytest.raises(UsageError, match=r"cannot be used.*nothing was trained"):
        training.train(clips=40, out=folders["out"], keep_in=folders["keep_in"])


def test_too_few_clips_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="too few clips to train on") as refused:
        training.train(clips=39, out=tmp_path)
    assert "--clips" in str(refused.value)


@pytest.mark.parametrize(
    ("plain", "sentence"),
    [
        (
            {"heard": ["pump_whine"], "absent": ["pump_whine"]},
            "pump_whine is said to be heard and to be absent",
        ),
        ({"heard": ["pump_wine"]}, "heard names 'pump_wine', which is no symptom (did you mean pump_whine?)"),
        ({"heared": ["pump_whine"]}, "unknown entry 'heared' (did you mean heard?)"),
        ({"heard": "pump_whine"}, "heard must be a list of names in quotes"),
        ({"heard": ["pump_whine", "pump_whine"]}, "heard names pump_whine twice"),
        ({}, "neither heard nor absent names a symptom, so that there is nothing to learn"),
        (
            {"absent": ["all_others"], "cylinders": 0},
            "cylinders is 0 and must be a whole number from 1 to",
        ),
        ({"absent": ["all_others"], "cylinders": True}, "cylinders is True and must be a whole number"),
        ({"absent": ["all_others"], "car": 7}, "car must be a name in quotes"),
    ],
)
def test_wrong_labels_get_a_sentence_each(plain: dict[str, Any], sentence: str) -> None:
    assert any(sentence in wrong for wrong in labels_from_plain(plain).wrong)


def test_all_others_means_what_is_not_heard() -> None:
    checked = labels_from_plain({"heard": ["belt_chirp"], "absent": ["all_others"]})
    assert not checked.wrong
    assert checked.absent == tuple(name for name in SYMPTOMS if name != "belt_chirp")


def test_a_folder_of_labels_is_refused_as_a_whole(tmp_path: Path) -> None:
    (tmp_path / "good.wav").write_bytes(b"")
    (tmp_path / "good.labels.toml").write_text('heard = ["pump_whine"]\n')
    (tmp_path / "torn.wav").write_bytes(b"")
    (tmp_path / "torn.labels.toml").write_text("heard = [")
    (tmp_path / "deep.labels.toml").write_text("heard = " + "[" * 9000)
    (tmp_path / "alone.labels.toml").write_bytes(b'\xef\xbb\xbfabsent = ["all_others"]\n')  # with its mark
    with pytest.raises(UsageError) as refused:
        read_labels(tmp_path)
    got = refused.value.got
    assert "torn.labels.toml: cannot be read as TOML" in got
    assert "deep.labels.toml: cannot be read as TOML" in got
    assert "alone.labels.toml: needs one clip named alone with its ending beside it (found: none)" in got
    assert "good.labels.toml" not in got
    assert refused.value.todo == "correct these files; nothing was trained"


@pytest.mark.parametrize(("name", "words"), [("empty", "a folder with"), ("missing", "which is no folder")])
def test_a_folder_without_labels_is_refused(name: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="no labelled clips to add") as refused:
        read_labels(tmp_path / name)
    assert words in str(refused.value)


def test_labelled_clips_become_rows_with_unknowns(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import soundfile

    noise = np.random.default_rng(0).normal(0, 0.1, 4 * 16000)
    for name in ("first", "second"):
        soundfile.write(tmp_path / f"{name}.wav", noise, 16000)
        label = 'heard = ["pump_whine"]\nabsent = ["belt_squeal"]\ncar = "blue van"\ncylinders = 5\n'
        (tmp_path / f"{name}.labels.toml").write_text(label)
    seen: list[Any] = []

    def measured(clip: Any, vehicle: Any) -> dict[str, float]:
        seen.append((clip.duration_s, vehicle.cylinders))
        return {"snr_db": 3.0}

    monkeypatch.setattr("audiodiag.classifier.labels.measure_clip", measured)
    rows = workshop_rows(tmp_path)
    assert seen == [(4.0, 5), (4.0, 5)]
    assert rows[0].group == rows[1].group
    table = Table.of(rows)
    assert table.present[0, 0] == 1
    assert table.present[0, 2] == 0
    assert np.isnan(table.present[0, 3])


def test_scores_count_what_they_say() -> None:
    def row(number: int, heard: tuple[str, ...], level_db: float = 0.0, engine: bool = True) -> Row:
        levels = dict.fromkeys(heard, level_db)
        audible = heard if level_db >= -12 else ()
        return Row(str(number), number, {}, {n: n in heard for n in SYMPTOMS}, audible, levels, engine=engine)

    rows = [
        row(1, ("pump_whine",)),
        row(2, ("pump_whine",), -15.0),
        row(3, ()),
        row(4, ()),
        row(5, ("belt_chirp",)),
    ]
    table = Table.of([*rows, row(6, (), engine=False)])
    said = np.array([0.9, 0.2, 0.1, 0.7, 0.6, 0.8])
    scores = symptom_scores(table, "pump_whine", said)
    assert (scores.recall.value, scores.recall.count) == (0.5, 2)
    assert (scores.recall_audible.value, scores.recall_audible.count) == (1.0, 1)
    assert (scores.false_alarms_clean.value, scores.false_alarms_clean.count) == (0.5, 2)
    assert (scores.false_alarms_other_symptom.value, scores.false_alarms_other_symptom.count) == (1.0, 1)
    assert (scores.false_alarms_elsewhere.value, scores.false_alarms_elsewhere.count) == (1.0, 1)
    six = np.zeros((6, 6))
    six[3, 2] = 0.5
    assert any_false_alarm(table, six).value == 0.5
    assert [share.count for share in recall_by_level(table, "pump_whine", said)] == [1, 0, 0, 1]


def test_coverage_is_as_stated() -> None:
    rng = np.random.default_rng(0)
    probability = rng.random(6000)
    present = (rng.random(6000) < probability).astype(float)
    limits = learn_limits(present[::2], probability[::2])
    coverage = conformal_coverage(present[1::2], probability[1::2], limits)
    assert coverage.present.value == pytest.approx(0.9, abs=0.02)
    assert coverage.absent.value == pytest.approx(0.9, abs=0.02)
    assert 0.1 < coverage.single.value < 0.9
    assert coverage.present.count + coverage.absent.count == coverage.single.count == 3000
    assert str(conformal_coverage(np.zeros(3), np.zeros(3), limits).present) == "none"


def symptoms_of(model: Model) -> dict[str, Any]:
    """Give all that a model file says of the symptoms."""
    return dict(json.loads(model_to_text(model))["symptoms"])


def only_strange(rows: list[Row]) -> list[Row]:
    """Let rows teach what is no engine bay and nothing of symptoms."""
    return [replace(row, present=dict.fromkeys(SYMPTOMS), audible=(), engine=False) for row in rows]


def test_clips_that_teach_nothing_of_symptoms_move_no_symptom() -> None:
    """More sounds that are no engine bay must not draw all folds anew."""
    rows, more = made_up_rows(160, 3), only_strange(made_up_rows(40, 4))
    files = []
    for beside in (more[:7], more):
        trained = training.train_on_rows(rows + beside, candidates=CANDIDATES[:2], thorough=False)
        files.append([symptoms_of(trained.model), symptoms_of(trained.rehearsal)])
    assert files[0] == files[1]


def test_the_model_learns_from_all_clips_and_the_rehearsal_is_judged_on_others() -> None:
    rows = made_up_rows(200, 6)
    trained = training.train_on_rows(rows, candidates=CANDIDATES[1:2], thorough=False)
    assert trained.model.made["engine_bays"] == sum(row.engine for row in rows)
    assert trained.rehearsal.made["engine_bays"] < trained.model.made["engine_bays"]
    assert len(trained.judge) == 40
    heard = {row.group for row in trained.judge.rows}
    turned = [
        replace(row, present={n: not v for n, v in row.present.items()}) if row.group in heard else row
        for row in rows
    ]
    other = training.train_on_rows(turned, candidates=CANDIDATES[1:2], thorough=False)
    assert symptoms_of(trained.rehearsal) == symptoms_of(other.rehearsal), "it heard a clip kept apart"
    first, second = symptoms_of(trained.model), symptoms_of(other.model)
    assert all(first[name] != second[name] for name in SYMPTOMS)
    text = card_text(trained)
    assert "a rehearsal: one clip in five (40)" in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        *(({"group": group}, "") for group in range(5)),  # one of these is kept apart whole
        ({"engine": False}, "engine bays of 0 groups"),
        (
            {"present": {name: name != "belt_chirp" or None for name in SYMPTOMS}},
            "nothing known of belt_chirp",
        ),
    ],
)
def test_rows_that_cannot_be_parted_are_refused(changes: dict[str, Any], words: str) -> None:
    rows = [replace(row, **changes) for row in made_up_rows(60, 8)]
    with pytest.raises(UsageError, match="too little to train on") as told:
        training.train_on_rows(rows, candidates=CANDIDATES[5:6], thorough=False)
    assert words in str(told.value)


def test_engine_bays_all_of_one_fold_give_distances(recwarn: pytest.WarningsRecorder) -> None:
    groups = np.arange(1000)
    alike = groups[plain_folds(groups) == 2]
    rows = [replace(row, group=int(alike[i])) for i, row in enumerate(made_up_rows(60, 8))]
    model = learn_strangeness(Table.of(rows))
    assert np.all(np.isfinite(model.distances)) and model.distances[-1] > 0.0
    assert not recwarn.list


def test_a_labelled_clip_that_cannot_be_read_is_refused_before_the_long_work(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "van.wav").write_bytes(b"no sound at all")
    (tmp_path / "van.labels.toml").write_text('heard = ["pump_whine"]')

    def too_early(*_given: Any, **_named: Any) -> list[Row]:
        raise AssertionError("clips were simulated first")

    monkeypatch.setattr(training, "rows_from_recipes", too_early)
    with pytest.raises(ClipError, match=r"van\.wav"):
        training.train(clips=40, out=tmp_path / "out", add=tmp_path, demo=tmp_path)


def test_labelled_clips_share_no_group_with_a_simulated_one() -> None:
    last = next(int(option.high) for option in TRAIN_OPTIONS if option.flag == "--seed" and option.high)
    seeds = [recipe.seed for recipe in (*plan(3, seed=last), *others(30, seed=last))]
    assert max(seeds) < labels._FIRST_GROUP
