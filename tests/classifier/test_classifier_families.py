"""The families as plain numbers against scikit-learn, and their charges."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from audiodiag.classifier.families import KINDS, Linear, log_odds, probability_of
from audiodiag.classifier.features import CLIP_AT, design, learn_scaling, scaled
from audiodiag.classifier.fitting import CANDIDATES, STEADY, TREES, Candidate, fit, listened_to
from audiodiag.classifier.leanings import AGAINST, BESIDE, FOR, WITH, leanings
from audiodiag.classifier.table import Table
from audiodiag.classifier.trees import Trees
from audiodiag.records import SYMPTOMS
from audiodiag.symptoms import MEASUREMENT_NAMES

WHINE = 0

EVERY = (*CANDIDATES[:5], *TREES, *CANDIDATES[5:])


def truth(table: Table) -> np.ndarray:
    return np.asarray(table.present[:, WHINE])


def fitted_beside(monkeypatch: pytest.MonkeyPatch, where: str, name: str) -> list[Any]:
    """Keep every estimator of scikit-learn that is fitted while we fit."""
    import importlib

    module = importlib.import_module(where)
    original = getattr(module, name)
    kept: list[Any] = []

    class Kept(original):  # type: ignore[misc, valid-type]
        def fit(self, *args: Any, **named: Any) -> Any:
            kept.append(self)
            return super().fit(*args, **named)

    Kept.__name__ = name
    monkeypatch.setattr(module, name, Kept)
    return kept


@pytest.mark.parametrize(
    ("number", "where", "name"),
    [
        (0, "sklearn.naive_bayes", "GaussianNB"),
        (5, "sklearn.ensemble", "HistGradientBoostingClassifier"),
        (6, "sklearn.ensemble", "RandomForestClassifier"),
    ],
)
def test_plain_numbers_say_what_scikit_learn_says(
    number: int, where: str, name: str, made_up_table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = fitted_beside(monkeypatch, where, name)
    candidate, values = EVERY[number], np.array(made_up_table.values)
    weight = np.where(np.arange(len(values)) % 7 == 0, 2.0, 1.0)
    model = fit(candidate, values, truth(made_up_table), weight=weight, seed=3)
    theirs = kept[0]
    scaling = learn_scaling(values)
    asked = values
    if candidate.kind == "bayes":
        asked = scaled(values, scaling)[:, model.chosen]  # type: ignore[attr-defined]
    expected = theirs.predict_proba(asked)[:, 1]
    reread = KINDS[candidate.kind].from_plain(json.loads(json.dumps(model.to_plain(), allow_nan=False)))
    inside = (expected > 0.003) & (expected < 0.997)
    assert inside.sum() > 100
    np.testing.assert_allclose(
        probability_of(reread.odds(values))[inside], expected[inside], atol=1e-9, rtol=0
    )


@pytest.mark.parametrize("number", [1, 3])
@pytest.mark.parametrize("passed_on", [False, True])
def test_a_linear_model_says_what_scikit_learn_says(
    number: int, passed_on: bool, made_up_table: Table
) -> None:
    """With a charge for what copies differ by, too: a change of axes makes that penalty the plain one."""
    candidate, values = EVERY[number], np.array(made_up_table.values)
    weight = np.where(np.arange(len(values)) % 7 == 0, 2.0, 1.0)
    recording = np.arange(len(values)) - (np.arange(len(values)) % 2 if passed_on else 0)
    model = fit(candidate, values, truth(made_up_table), weight=weight, recording=recording)
    columns = design(values, learn_scaling(values), kinks=candidate.settings["kinks"]).columns
    half = (columns[0::2] - columns[1::2]) / 2.0
    charged = 2.0 * STEADY * half.T @ half if passed_on else 0.0
    root = np.linalg.cholesky(np.eye(columns.shape[1]) / candidate.settings["strength"] + charged)
    turned = np.linalg.solve(root, columns.T).T
    theirs = LogisticRegression(C=1.0, max_iter=5000, tol=1e-8)
    theirs.fit(turned, truth(made_up_table), sample_weight=weight)
    np.testing.assert_allclose(model.odds(values), theirs.decision_function(turned), atol=0.01)


@pytest.mark.parametrize("held", [False, True])
def test_what_changes_where_a_clip_is_passed_on_says_less(held: bool) -> None:
    rng = np.random.default_rng(6)
    there = (rng.random(200) < 0.5).astype(float)
    kept = rng.normal(size=200) + there
    first = np.stack([kept, rng.normal(size=200) + there], axis=1)
    again = np.stack([kept, rng.normal(size=200) + there], axis=1)
    values, present = np.concatenate([first, again]), np.tile(there, 2)
    candidate = next(each for each in CANDIDATES if each.held == held and each.kind == "linear")
    how: dict[str, Any] = {"lean": np.ones(2)} if held else {}
    loose = fit(candidate, values, present, **how)
    steady = fit(candidate, values, present, recording=np.tile(np.arange(200), 2), **how)
    assert isinstance(loose, Linear) and isinstance(steady, Linear)
    assert 0.0 < steady.weight[1] < 0.8 * loose.weight[1]
    assert steady.weight[0] > loose.weight[0]
    apart = [float(np.std(each.odds(first) - each.odds(again))) for each in (loose, steady)]
    assert apart[1] < 0.8 * apart[0]
    alone = fit(candidate, values, present, recording=np.arange(400), **how)
    assert alone.to_plain() == loose.to_plain(), "a clip of which there is no other is charged nothing"


@pytest.mark.parametrize("candidate", EVERY, ids=lambda candidate: candidate.name)
def test_charges_add_up_to_the_answer(candidate: Candidate, made_up_table: Table) -> None:
    values = np.array(made_up_table.values)
    model = fit(candidate, values, truth(made_up_table), seed=1)
    rest = model.odds(values) - model.charges(values).sum(axis=1)
    np.testing.assert_allclose(rest, rest[0], atol=1e-8)


@pytest.mark.parametrize("candidate", EVERY, ids=lambda candidate: candidate.name)
def test_the_measure_that_matters_is_charged_most(candidate: Candidate, made_up_table: Table) -> None:
    values = np.array(made_up_table.values)
    model = fit(candidate, values, truth(made_up_table), seed=1)
    strongest = np.abs(model.charges(values)).mean(axis=0).argmax()
    assert made_up_table.measures[strongest] == "pump_whine_score"


@pytest.mark.parametrize("candidate", EVERY, ids=lambda candidate: candidate.name)
def test_fitting_twice_gives_the_same_numbers(candidate: Candidate, made_up_table: Table) -> None:
    twice = [
        json.dumps(fit(candidate, made_up_table.values, truth(made_up_table), seed=5).to_plain())
        for _ in range(2)
    ]
    assert twice[0] == twice[1]


def test_too_few_clips_give_a_constant() -> None:
    values = np.random.default_rng(0).normal(size=(50, 2))
    model = fit(EVERY[5], values, np.r_[np.ones(5), np.zeros(45)])
    assert isinstance(model, Linear)
    np.testing.assert_allclose(probability_of(model.odds(values)), 5.5 / 51, atol=1e-12)


def test_unknown_truth_and_weight_nought_teach_nothing(made_up_table: Table) -> None:
    known = truth(made_up_table).copy()
    spoiled = known.copy()
    spoiled[:60] = np.nan
    weight = np.ones(len(known))
    weight[60:90] = 0.0
    left = fit(EVERY[2], made_up_table.values, spoiled, weight=weight)
    right = fit(EVERY[2], made_up_table.values[90:], known[90:])
    assert left.to_plain() == right.to_plain()


@pytest.mark.parametrize("number", [2, 3, 5, 6])
def test_what_is_not_listened_to_changes_nothing(number: int, made_up_table: Table) -> None:
    values = np.array(made_up_table.values)
    listen = np.array([not name.startswith("pump_whine") for name in made_up_table.measures])
    model = fit(EVERY[number], values, truth(made_up_table), listen=listen)
    shaken = values.copy()
    shaken[:, ~listen] += 5.0
    assert model.odds(shaken).tolist() == model.odds(values).tolist()
    shaken[:, listen] += 5.0
    assert model.odds(shaken).tolist() != model.odds(values).tolist()


def test_a_held_model_gives_no_measure_a_weight_against_what_physics_says() -> None:
    """Here, against all sense, growls come with a bare beat and chirps change nothing."""
    rng = np.random.default_rng(4)
    names = ("growl_comb_db", "growl_bare_db", "growl_order")
    there = (rng.random(300) < 0.5).astype(float)
    values = rng.normal(size=(300, 3)) + there[:, None] * np.array([1.0, 1.0, -1.0])
    held = next(each for each in CANDIDATES if each.held)
    free = fit(held, values, there)
    model = fit(held, values, there, lean=leanings(names, "bearing_growl"))
    assert isinstance(free, Linear) and isinstance(model, Linear)
    assert free.weight[1] > 0.2
    assert model.weight[1] == 0.0
    assert model.weight[0] > 0.2 and model.weight[2] < -0.2


def test_every_leaning_names_a_measure_of_its_symptom() -> None:
    for table in (FOR, AGAINST):
        for symptom, names in table.items():
            assert set(names) <= set(MEASUREMENT_NAMES)
            assert all(name.startswith(symptom.split("_")[-1]) for name in names)
    assert not {name for names in FOR.values() for name in names} & {n for ns in AGAINST.values() for n in ns}


def test_a_symptom_listens_to_its_own_measures_and_to_those_of_others_that_lean_its_way() -> None:
    wide = next(each for each in CANDIDATES if each.held and each.own)
    alone = next(each for each in CANDIDATES if each.alone)
    for symptom in SYMPTOMS:
        word, lean = f"{symptom.split('_')[-1]}_", leanings(MEASUREMENT_NAMES, symptom)
        lent = WITH.get(symptom, ()) + BESIDE.get(symptom, ())
        assert len(set(lent)) == len(lent) and set(lent) <= set(MEASUREMENT_NAMES)
        assert not any(name.startswith(word) for name in lent), "what is its own needs not be lent"
        assert {n for n, sign in zip(MEASUREMENT_NAMES, lean, strict=True) if sign and n in lent} == set(lent)
        for names, sign in ((WITH, 1.0), (BESIDE, -1.0)):
            assert all(lean[MEASUREMENT_NAMES.index(name)] == sign for name in names.get(symptom, ()))
        heard = listened_to(wide, MEASUREMENT_NAMES, symptom)
        others = tuple(f"{each.split('_')[-1]}_" for each in SYMPTOMS if each != symptom)
        strange = {n for n, on in zip(MEASUREMENT_NAMES, heard, strict=True) if on and n.startswith(others)}
        assert strange == set(lent)
        mine = listened_to(alone, MEASUREMENT_NAMES, symptom)
        assert all(n.startswith(word) for n, on in zip(MEASUREMENT_NAMES, mine, strict=True) if on)


def test_a_measure_that_is_nought_in_most_clips_is_not_clipped_away() -> None:
    """Lines beside a beat stand out in one clip of ten only: 4 and 12 dB must not look alike."""
    rng = np.random.default_rng(1)
    values = np.where(
        rng.random((500, 1)) < 0.1, rng.uniform(2.0, 13.0, (500, 1)), rng.normal(0, 0.1, (500, 1))
    )
    z = scaled(np.array([[4.0], [12.0]]), learn_scaling(values))
    assert z[1, 0] > z[0, 0] + 1.0


def test_a_wild_value_is_clipped_and_a_missing_one_stands_in_the_middle() -> None:
    values = np.r_[np.arange(1.0, 41.0), 1e9, np.nan][:, None]
    z = scaled(values, learn_scaling(values[:41]))
    assert z[40, 0] == CLIP_AT
    assert z[41, 0] == 0.0


def test_a_tree_that_leads_in_a_circle_is_refused() -> None:
    plain = {
        "root": [0],
        "measure": [0, 0],
        "threshold": [0, 0],
        "left": [1, 0],
        "right": [1, 1],
        "missing_left": [0, 0],
        "value": [0, 1],
        "base": 0.0,
        "single": False,
    }
    with pytest.raises(ValueError, match="leads back"):
        Trees.from_plain(plain)


def test_log_odds_and_probability_are_each_others_inverse() -> None:
    p = np.array([0.001, 0.3, 0.5, 0.99])
    np.testing.assert_allclose(probability_of(log_odds(p)), p, rtol=1e-12)
