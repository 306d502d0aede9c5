"""What is heard without any engine speed counts where the speed is wrong, and only there."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from audiodiag.analysis import _findings
from audiodiag.classifier.calibrate import SPEEDLESS_MOST, Believed, Calibration, Speedless, mean_of_odds
from audiodiag.classifier.compare import Chosen, choose
from audiodiag.classifier.families import Linear
from audiodiag.classifier.fitting import CANDIDATES, HELD_KINKED
from audiodiag.classifier.leanings import AGAINST, FOR, SPEEDLESS
from audiodiag.classifier.store import Model, load_model, model_from_plain, model_to_text
from audiodiag.classifier.table import Row, Table
from audiodiag.errors import ModelError
from audiodiag.records import SYMPTOMS
from audiodiag.symptoms import MEASUREMENT_NAMES, measure_all
from tests.symptoms import bays

QUICK = (CANDIDATES[1],)
ALONE = "chirp_slim_row_db"


def rows(count: int = 600, *, bays: tuple[str, ...] = ("first",)) -> list[Row]:
    """Chirps whose comb over crank angle tells all at a right speed and nothing at a wrong one."""
    rng = np.random.default_rng(4)
    made = []
    for number in range(count):
        there, right = bool(rng.random() < 0.4), bool(rng.random() < 0.7)
        measured = {
            "chirp_belt_comb_db": rng.normal(5.0 * there * right, 1.0),
            ALONE: rng.normal(2.5 * there, 1.0),
            "speed_confidence": 0.95 if right else 0.05,
        }
        made.append(
            Row(
                f"made up {number}",
                number,
                measured,
                {"belt_chirp": there, "pump_whine": there},
                speed_right=right,
                traits={"bay": bays[number % len(bays)]},
            )
        )
    return made


@pytest.fixture(scope="module")
def chosen() -> Chosen:
    return choose(Table.of(rows()), "belt_chirp", candidates=QUICK)


def said(of: Chosen, comb_db: float, row_db: float, confidence: float) -> float:
    table = Table.of(rows(1))
    values = {"chirp_belt_comb_db": comb_db, ALONE: row_db, "speed_confidence": confidence}
    return float(of.probability(np.array([[values[name] for name in table.measures]]))[0])


def test_a_row_is_believed_where_the_speed_is_wrong(chosen: Chosen) -> None:
    assert chosen.calibration.speedless is not None
    assert said(chosen, -1.5, 2.2, 0.0) > 0.6
    assert said(chosen, -1.5, -1.0, 0.0) < 0.3
    without = replace(chosen, calibration=replace(chosen.calibration, speedless=None))
    assert said(chosen, -1.5, 2.2, 0.0) > said(without, -1.5, 2.2, 0.0) + 0.02
    for confidence in (1.0, 0.4):
        step = said(chosen, -1.5, 2.2, confidence) - said(without, -1.5, 2.2, confidence)
        assert step == pytest.approx(
            (1.0 - confidence) * (said(chosen, -1.5, 2.2, 0.0) - said(without, -1.5, 2.2, 0.0))
        )


def test_what_was_said_apart_holds_it_too_by_laws_of_other_folds(chosen: Chosen) -> None:
    apart = chosen.apart
    assert apart.speedless is not None and apart.speedless.shape == (2, len(apart.own))
    own, away = apart.probabilities()
    none, _ = replace(apart, speedless=None).probabilities()
    lost, sure = apart.right < 0.5, apart.right > 0.5
    assert np.abs(own - none)[lost].mean() > 5 * np.abs(own - none)[sure].mean() > 0.0

    def loss(p: np.ndarray) -> float:
        p, there = np.clip(p[lost], 1e-6, 1 - 1e-6), apart.present[lost]
        return float(-np.mean(np.where(there > 0.5, np.log(p), np.log(1 - p))))

    assert loss(own) < loss(none) - 0.01
    wrong = np.where(apart.fold == 0, 1.0 - apart.present, apart.present)
    again = replace(apart, present=wrong).probabilities()[0]
    assert np.array_equal(again[apart.fold == 0], own[apart.fold == 0]), "a law was fitted on its own fold"
    assert np.array_equal(own, away), "one bay cannot be left out"


def test_its_model_never_heard_the_bay_that_it_judges() -> None:
    made = rows(bays=("first", "apart"))
    first = np.arange(len(made)) % 2 == 0
    turned = [
        replace(each, present={"belt_chirp": not each.present["belt_chirp"]}) if there else each
        for each, there in zip(made, first, strict=True)
    ]
    heard, other = (
        choose(Table.of(each), "belt_chirp", candidates=QUICK).apart.speedless for each in (made, turned)
    )
    assert heard is not None and other is not None
    assert np.array_equal(other[1, first], heard[1, first])
    assert not np.array_equal(other[1, ~first], heard[1, ~first])


def test_what_it_says_apart_hangs_on_folds_levels_and_bays() -> None:
    made = rows(bays=("first", "apart"))
    pairs = [replace(each, name=f"{each.name} again", group=each.group) for each in made[:200]]
    table = Table.of([*made, *pairs])
    apart = choose(table, "belt_chirp", candidates=QUICK).apart
    assert apart.speedless is not None
    again = apart.speedless[0, len(made) :]
    assert np.allclose(again, apart.speedless[0, :200]), "a clip and its copy were judged by other models"
    own, away = apart.probabilities()
    assert not np.allclose(own, away)
    swapped = replace(apart, speedless=apart.speedless[::-1])
    assert not np.allclose(swapped.probabilities()[1], away)
    heard = replace(apart, speedless=np.stack([apart.speedless[0], apart.speedless[0]]))
    assert not np.allclose(heard.speedless_law().numbers, apart.speedless_law().numbers)
    faint = [
        replace(each, level_db={"belt_chirp": -40.0 if number % 2 else 0.0})
        for number, each in enumerate(made)
    ]
    loud = choose(Table.of(made), "belt_chirp", candidates=QUICK).apart.speedless
    other = choose(Table.of(faint), "belt_chirp", candidates=QUICK).apart.speedless
    assert loud is not None and other is not None
    assert not np.allclose(loud[0], other[0]) and not np.allclose(loud[1], other[1])


def test_what_is_said_apart_is_what_the_laws_of_the_other_folds_say() -> None:
    table = Table.of(rows(bays=("first", "apart")))
    apart = choose(table, "belt_chirp", candidates=QUICK).apart
    assert apart.speedless is not None and apart.trust is not None
    here = apart.fold == 1
    law, alone = apart.law(~here), apart.speedless_law(~here)
    assert law.astray is not None
    for said, odds, others in zip(
        apart.probabilities(), (apart.own, apart.away), apart.speedless, strict=True
    ):
        second = np.minimum(alone.probability(others[here]), SPEEDLESS_MOST)
        assert (second == SPEEDLESS_MOST).any() and (second < SPEEDLESS_MOST).any()
        wrong = mean_of_odds(law.astray.probability(odds[here]), second)
        right = law.right.probability(odds[here])
        trust = apart.trust[here]
        assert np.allclose(said[here], trust * right + (1.0 - trust) * wrong)


def test_a_truth_turned_in_one_fold_changes_nothing_said_there(chosen: Chosen) -> None:
    fold = chosen.apart.fold
    turned = [
        replace(each, present={"belt_chirp": not each.present["belt_chirp"]}) if here else each
        for each, here in zip(rows(), fold == 2, strict=True)
    ]
    again = choose(Table.of(turned), "belt_chirp", candidates=QUICK).apart
    assert again.speedless is not None and chosen.apart.speedless is not None
    assert np.array_equal(again.fold, fold)
    assert np.array_equal(again.speedless[0, fold == 2], chosen.apart.speedless[0, fold == 2])
    assert not np.array_equal(again.speedless[0, fold != 2], chosen.apart.speedless[0, fold != 2])


def test_it_listens_to_nothing_that_needs_a_speed_and_only_as_physics_says(chosen: Chosen) -> None:
    scorer = chosen.calibration.speedless and chosen.calibration.speedless.scorer
    assert isinstance(scorer, Linear)
    table = Table.of(rows(1))
    charges = scorer.charges(np.array([[9.0 if name == ALONE else 5.0 for name in table.measures]]))[0]
    heard = {name for name, charge in zip(table.measures, charges, strict=True) if charge}
    assert heard == {ALONE}
    assert charges[table.measures.index(ALONE)] > 0.0
    assert HELD_KINKED in CANDIDATES and HELD_KINKED.held


def test_symptoms_that_need_a_speed_and_tables_without_one_have_no_such_model() -> None:
    whine = choose(Table.of(rows()), "pump_whine", candidates=QUICK)
    assert whine.calibration.speedless is None and whine.apart.speedless is None
    untold = [
        replace(each, measurements={k: v for k, v in each.measurements.items() if k != "speed_confidence"})
        for each in rows()
    ]
    assert choose(Table.of(untold), "belt_chirp", candidates=QUICK).calibration.speedless is None
    sure = [replace(each, speed_right=True) for each in rows()]
    few = choose(Table.of(sure), "belt_chirp", candidates=QUICK).calibration
    assert few.astray is None and few.speedless is None, "no clip at a wrong speed, so no law for one"


def test_the_measures_named_are_there_and_hang_on_no_order() -> None:
    for symptom, names in SPEEDLESS.items():
        assert symptom in SYMPTOMS
        assert set(names) <= set(MEASUREMENT_NAMES)
        assert not [name for name in names if "order" in name or "belt" in name or "engine" in name]
        leaning = {*FOR[symptom], *AGAINST[symptom]}
        assert all(name in leaning or "length" in name for name in names if name.startswith("chirp_"))


def test_a_mean_of_odds_lies_between_and_holds_certainty() -> None:
    one, other = np.array([0.0, 0.2, 1.0, 1.0]), np.array([0.0, 0.9, 0.0, 1.0])
    both = mean_of_odds(one, other)
    assert np.all(np.isfinite(both))
    assert both[0] == 0.0 and 0.2 < both[1] < 0.9 and both[2] > 0.999 and both[3] > 0.999
    assert np.allclose(mean_of_odds(other, one), both)
    assert both[1] == pytest.approx((0.25 + 9.0) / 2 / (1 + (0.25 + 9.0) / 2))


@pytest.fixture(scope="module")
def shipped() -> Model:
    return load_model()


def test_the_shipped_model_holds_one_for_the_chirp_alone_and_reads_back_the_same(shipped: Model) -> None:
    held = {name for name, own in shipped.symptoms.items() if own.calibration.speedless is not None}
    assert held == set(SPEEDLESS)
    text = model_to_text(shipped)
    assert model_to_text(model_from_plain(json.loads(text))) == text
    older = json.loads(text)
    del older["symptoms"]["belt_chirp"]["speedless"]
    law = model_from_plain(older).symptoms["belt_chirp"].calibration
    assert law.astray is not None and law.speedless is None


def clip(model: Model, **measured: float) -> np.ndarray:
    return model.values(dict(zip(model.measures, model.middle, strict=True)) | measured)


CLEAR_ROW = {
    "chirp_row_comb_db": 27.0,
    "chirp_slim_row_db": 14.0,
    "chirp_row_spread": 0.2,
    "chirp_row_low_rise_db": -0.3,
    "chirp_burst_rate_hz": 6.0,
    "chirp_burst_height_db": 10.0,
    "chirp_peakiness": 4.5,
}


def test_a_clear_row_at_an_unknown_speed_is_a_chirp_and_wide_bursts_are_none(shipped: Model) -> None:
    own = shipped.symptoms["belt_chirp"]
    alone = own.calibration.speedless
    assert alone is not None
    slim = clip(shipped, **CLEAR_ROW, speed_confidence=0.02)
    wide = clip(
        shipped,
        **CLEAR_ROW | {"chirp_row_spread": 0.85, "chirp_slim_row_db": 0.0, "chirp_row_low_rise_db": 6.0},
        speed_confidence=0.02,
    )
    told = [float(alone.probability(values[None, :])[0]) for values in (slim, wide)]
    assert told[0] > 0.6 and told[0] > told[1] + 0.3
    assert told[0] <= SPEEDLESS_MOST
    loud = slim.copy()
    loud[shipped.measures.index("chirp_burst_height_db")] = 30.0
    loud[shipped.measures.index("chirp_peakiness")] = 12.0
    assert float(alone.law.probability(alone.scorer.odds(loud[None, :]))[0]) > 0.85
    assert float(alone.probability(loud[None, :])[0]) == SPEEDLESS_MOST
    assert own.weighed(slim, []) > own.weighed(wide, []) + 0.2
    assert own.weighed(slim, []) == pytest.approx(float(own.probability(slim[None, :])[0]))


def test_other_readings_take_their_share_from_what_is_said_without_a_speed(shipped: Model) -> None:
    own = shipped.symptoms["belt_chirp"]
    slim = clip(shipped, **CLEAR_ROW, speed_confidence=0.3)
    law = own.calibration
    odds = own.scorer.odds(slim[None, :])
    right, wrong = (
        float(law.right.probability(odds)[0]),
        float(law.at_wrong_speed(odds, law.speedless and law.speedless.probability(slim[None, :]))[0]),
    )
    assert own.weighed(slim, []) == pytest.approx(0.3 * right + 0.7 * wrong)
    assert own.weighed(slim, [(0.5, slim)]) == pytest.approx(0.8 * right + 0.2 * wrong)
    assert own.weighed(slim, [(0.9, slim)]) == pytest.approx(right)
    other = clip(shipped, **CLEAR_ROW | {"chirp_belt_comb_db": 14.0, "chirp_row_spread": 0.7})
    there = float(law.right.probability(own.scorer.odds(other[None, :]))[0])
    assert own.weighed(slim, [(0.5, other)]) == pytest.approx(0.3 * right + 0.5 * there + 0.2 * wrong)


def test_evidence_is_that_of_the_model_that_speaks(shipped: Model) -> None:
    own = shipped.symptoms["belt_chirp"]
    sure, lost = (clip(shipped, **CLEAR_ROW, speed_confidence=c) for c in (1.0, 0.0))
    assert np.allclose(own.charges(sure), own.scorer.charges(sure[None, :])[0])
    law = own.calibration
    assert law.speedless is not None and law.astray is not None
    told = float(law.astray.probability(own.scorer.odds(lost[None, :]))[0])
    alone = float(law.speedless.probability(lost[None, :])[0])
    share = alone / (1 - alone) / (alone / (1 - alone) + told / (1 - told))
    mixed = (1 - share) * own.scorer.charges(lost[None, :])[0]
    mixed = mixed + share * law.speedless.scorer.charges(lost[None, :])[0]
    assert np.allclose(own.charges(lost), mixed)
    assert share > 0.5
    assert np.allclose(own.charges(lost, [(1.0, lost)]), own.scorer.charges(lost[None, :])[0])
    assert np.allclose(
        own.charges(lost, [(0.4, lost)]) - own.charges(sure), 0.6 * (mixed - own.charges(sure))
    )
    measured = dict(zip(shipped.measures, (float(value) for value in lost), strict=True))
    said_alone, said_so = (
        shipped.predict(measured, others=others).symptoms["belt_chirp"].moved
        for others in ([], [(1.0, measured)])
    )
    for moved, others in ((said_alone, []), (said_so, [(1.0, lost)])):
        charges = own.charges(lost, others)
        assert [each.charge for each in moved] == [
            charges[shipped.measures.index(each.measure)] for each in moved
        ]
    assert said_alone != said_so
    bare = replace(own, calibration=replace(law, speedless=None))
    assert np.allclose(bare.charges(lost), own.scorer.charges(lost[None, :])[0])


@pytest.mark.parametrize(("confidence", "shown"), [(0.1, True), (0.9, False)])
def test_where_the_speed_is_not_sure_bursts_are_shown_beside_and_no_orders(
    shipped: Model, confidence: float, shown: bool
) -> None:
    measured = measure_all(bays.clip_of(bays.engine() + bays.chirp()), bays.quality(), bays.trace())
    speed = replace(bays.trace(), confidence=confidence)
    values = dict(measured.values) | {"speed_confidence": confidence}
    prediction = shipped.predict(values)
    chirp, whine = (
        next(each for each in _findings(measured, prediction, bays.quality(), speed) if each.name == name)
        for name in ("belt_chirp", "pump_whine")
    )
    beside = {each.measure for each in chirp.evidence[3:]}
    assert len(beside) <= 2
    assert (beside <= set(SPEEDLESS["belt_chirp"])) == shown
    assert len(whine.evidence) == 5


def test_certain_laws_still_give_finite_evidence(shipped: Model) -> None:
    own = shipped.symptoms["belt_chirp"]
    law = own.calibration
    assert law.speedless is not None
    lost = clip(shipped, **CLEAR_ROW, speed_confidence=0.0)
    never = Calibration("isotonic", np.array([0.0, 0.0]))
    always = Calibration("isotonic", np.array([0.0, 1.0]))
    for one, other in ((never, never), (always, always), (never, always)):
        laws = Believed(law.right, one, law.trust, Speedless(law.speedless.scorer, other))
        model = replace(own, calibration=laws)
        assert np.all(np.isfinite(model.charges(lost)))
        assert 0.0 <= model.weighed(lost, []) <= 1.0


WIDTH = len(load_model().measures)


def bayes(**broken: Any) -> dict[str, Any]:
    """A plain naive Bayes on one measure, with something broken."""
    scaling = {"centre": [0.0] * WIDTH, "width": [1.0] * WIDTH, "missing_told": [0] * WIDTH}
    whole = {"chosen": [0], "mean": [[0.0], [1.0]], "variance": [[1.0], [1.0]], "prior": 0.0}
    return scaling | whole | broken


def tree(**broken: Any) -> dict[str, Any]:
    """A plain tree of one leaf, with something broken."""
    whole = {"root": [0], "measure": [0], "left": [0], "right": [0], "missing_left": [0]}
    return whole | {"threshold": [0.0], "value": [0.3], "base": 0.1, "single": False} | broken


@pytest.mark.parametrize(("kind", "model"), [("bayes", bayes()), ("boosted", tree()), ("forest", tree())])
def test_other_kinds_are_read_where_they_are_whole(shipped: Model, kind: str, model: dict[str, Any]) -> None:
    plain = json.loads(model_to_text(shipped))
    plain["symptoms"]["belt_chirp"]["speedless"].update(kind=kind, model=model)
    again = model_from_plain(plain)
    assert json.loads(model_to_text(again)) == plain
    assert 0.0 < again.predict({}).symptoms["belt_chirp"].probability < 1.0


def test_one_of_a_symptom_that_needs_a_speed_is_refused(shipped: Model) -> None:
    plain = json.loads(model_to_text(shipped))
    plain["symptoms"]["pump_whine"]["speedless"] = plain["symptoms"]["belt_chirp"]["speedless"]
    with pytest.raises(ModelError) as refused:
        model_from_plain(plain)
    assert "pump_whine with an entry 'speedless', which is for belt_chirp alone" in refused.value.got


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda own: own.update(speedless=3), "belt_chirp, speedless: int in place of a model"),
        (lambda own: own.update(speedless=None), "belt_chirp, speedless: NoneType in place of"),
        (lambda own: own.update(speedless=[]), "belt_chirp, speedless: list in place of"),
        (lambda own: own["speedless"].update(kind="oracle"), "belt_chirp, speedless: kind of model 'oracle'"),
        (lambda own: own["speedless"].pop("law"), "belt_chirp, speedless: no entry 'law'"),
        (
            lambda own: own["speedless"]["model"]["centre"].__setitem__(0, None),
            "a centre or width that is no number",
        ),
        (
            lambda own: own["speedless"]["model"]["width"].__setitem__(0, math.inf),
            "a centre or width that is no number",
        ),
        (lambda own: own["speedless"]["model"]["missing_told"].__setitem__(0, 0.5), "neither 0 nor 1"),
        (lambda own: own["speedless"].update(kind="bayes", model=bayes(prior=math.nan)), "is no number"),
        (
            lambda own: own["speedless"].update(kind="bayes", model=bayes(mean=[[math.inf], [0.0]])),
            "is no number",
        ),
        (
            lambda own: own["speedless"].update(kind="bayes", model=bayes(variance=[[1.0], [math.inf]])),
            "is no number",
        ),
        (
            lambda own: own["speedless"].update(kind="boosted", model=tree(base=math.nan)),
            "a base that is no number",
        ),
        (lambda own: own["speedless"].update(kind="boosted", model=tree(root=[[0]])), "within a list"),
        (lambda own: own["speedless"].update(kind="forest", model=tree(value=[[0.1]])), "within a list"),
        (lambda own: own["speedless"]["law"].update(numbers=[math.nan, 1.0]), "is none"),
        (lambda own: own["speedless"]["model"]["weight"].pop(), "weight"),
        (lambda own: own["speedless"]["model"].update(offset=math.inf), "no number"),
        (lambda own: own.pop("astray"), "without the law for one"),
    ],
)
def test_a_damaged_one_is_refused_in_words(shipped: Model, damage: Any, words: str) -> None:
    plain = json.loads(model_to_text(shipped))
    damage(plain["symptoms"]["belt_chirp"])
    with pytest.raises(ModelError) as refused:
        model_from_plain(plain, name="symptoms.json")
    assert words in refused.value.got
