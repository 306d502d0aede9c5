"""The model file: what it says, that it returns unchanged, how damage is refused, and what strange is."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audiodiag.classifier.card import Trained, card_text
from audiodiag.classifier.explain import Phrase
from audiodiag.classifier.fitting import CANDIDATES
from audiodiag.classifier.store import LARGEST_BYTES, Model, load_model, model_from_plain, model_to_text
from audiodiag.classifier.strange import learn_strangeness
from audiodiag.classifier.table import Table
from audiodiag.classifier.train import train_on_rows
from audiodiag.errors import ModelError
from audiodiag.records import SYMPTOMS
from tests.classifier.made_up import made_up_rows

YESTERDAY = Path(__file__).parent / "yesterday.json"
PHRASES = {"pump_whine_score": Phrase("dB", "A tone stands {value:.1f} dB out.")}


@pytest.fixture(scope="module")
def trained() -> Trained:
    return train_on_rows(made_up_rows(400, 2), candidates=(CANDIDATES[1], CANDIDATES[0]), thorough=False)


def usual_clip(**lifted: float) -> dict[str, float]:
    quiet = dict.fromkeys((f"{symptom}_score" for symptom in SYMPTOMS), 0.0)
    return quiet | {"engine_comb_db": 14.0, "snr_db": 20.0, "noise_slope": -5.0} | lifted


def test_a_lifted_score_raises_its_own_symptom_only(trained: Trained) -> None:
    said = trained.model.predict(usual_clip(pump_whine_score=3.5), phrases=PHRASES).symptoms
    assert said["pump_whine"].probability > 0.8
    assert all(said[name].probability < 0.3 for name in SYMPTOMS if name != "pump_whine")
    assert list(said) == list(SYMPTOMS)


def test_evidence_names_what_moved_the_answer_most(trained: Trained) -> None:
    found = trained.model.predict(usual_clip(pump_whine_score=3.5), phrases=PHRASES).symptoms["pump_whine"]
    first = found.evidence[0]
    assert (first.measure, first.value, first.unit) == ("pump_whine_score", 3.5, "dB")
    assert first.text == "A tone stands 3.5 dB out. This speaks for it."
    assert len(found.moved) <= 3
    sizes = [abs(each.charge) for each in found.moved]
    assert sizes == sorted(sizes, reverse=True)


@pytest.mark.parametrize(
    ("symptom", "values", "charges", "said"),
    [
        (  # a joined measure that counts in full has the number of its part
            "bearing_growl",
            {"growl_whole_db": 31.88, "growl_comb_db": 31.9, "growl_line_db": 21.9, "growl_second_db": 14.2},
            {"growl_whole_db": 2.0, "growl_comb_db": 1.0, "growl_line_db": 0.7, "growl_second_db": 0.5},
            ["growl_whole_db", "growl_line_db", "growl_second_db"],
        ),
        (  # the same number the other way is another thing to say
            "bearing_growl",
            {"growl_whole_db": 31.9, "growl_comb_db": 31.9, "growl_beside_whine_db": 31.9},
            {"growl_whole_db": 2.0, "growl_beside_whine_db": -1.5, "growl_comb_db": 1.0},
            ["growl_whole_db", "growl_beside_whine_db"],
        ),
        (  # that nothing squeals is no evidence of a groan; that something does is one against it
            "cavitation_groan",
            {"squeal_prominence_db": 0.0, "groan_swing_db": 2.8},
            {"squeal_prominence_db": 0.4, "groan_swing_db": 0.2},
            ["groan_swing_db"],
        ),
        (
            "cavitation_groan",
            {"squeal_prominence_db": 28.0, "groan_swing_db": 2.8},
            {"squeal_prominence_db": -0.4, "groan_swing_db": 0.2},
            ["squeal_prominence_db", "groan_swing_db"],
        ),
        (  # that a whine does not beat is not told against it; that it does is told for it
            "pump_whine",
            {"groan_high_beat_db": 8.2, "whine_comb_db": 1.5},
            {"groan_high_beat_db": -0.4, "whine_comb_db": -0.2},
            ["whine_comb_db"],
        ),
        (
            "pump_whine",
            {"groan_high_beat_db": 28.2, "whine_comb_db": 11.5},
            {"groan_high_beat_db": 0.4, "whine_comb_db": 0.2},
            ["groan_high_beat_db", "whine_comb_db"],
        ),
    ],
)
def test_evidence_repeats_no_number_and_counts_no_absence(
    symptom: str, values: dict[str, float], charges: dict[str, float], said: list[str]
) -> None:
    model = load_model()
    own = model.symptoms[symptom]

    class Weighed:
        def charges(self, rows: Any) -> Any:
            return np.array([[charges.get(name, 0.0) for name in model.measures]] * len(rows))

        def odds(self, rows: Any) -> Any:
            return self.charges(rows).sum(axis=1)

    symptoms = dict(model.symptoms) | {symptom: replace(own, scorer=Weighed())}  # type: ignore[arg-type]
    found = replace(model, symptoms=symptoms).predict(values).symptoms[symptom]
    assert [each.measure for each in found.evidence] == [each.measure for each in found.moved] == said


def test_a_clip_that_is_no_engine_bay_is_told(trained: Trained) -> None:
    bay = trained.model.predict(usual_clip(), phrases={}).strangeness
    other = trained.model.predict(usual_clip(engine_comb_db=2.0, noise_slope=-1.0), phrases={})
    assert bay.engine and not bay.strange
    assert not other.strangeness.engine
    assert other.strangeness.distance > bay.distance


def test_strangeness_names_the_measure_that_lies_outside(trained: Trained) -> None:
    said = trained.model.predict(usual_clip(snr_db=90.0), phrases={"snr_db": Phrase("dB", "")})
    assert said.strangeness.strange
    assert said.strangeness.far_out[0] == "snr_db"
    assert said.strange_because[0].text.startswith("Snr: 90 dB, above the usual (")


def test_a_symptom_clearer_than_any_learnt_from_is_not_strange() -> None:
    rng = np.random.default_rng(3)
    rows = [
        replace(
            row, measurements=row.measurements | {"whine_share_db": rng.normal(), "hiss_band": rng.normal()}
        )
        for row in made_up_rows(300, 12)
    ]
    table = Table.of(rows)
    model = learn_strangeness(table)
    usual = np.nanmedian(table.values[table.engine > 0.5], axis=0)

    def rank(name: str, value: float) -> float:
        clip = usual.copy()
        clip[table.measures.index(name)] = value
        return model.judge(clip, table.measures).rank

    assert rank("whine_share_db", 40.0) < 0.9 and rank("whine_share_db", 40.0) == rank("whine_share_db", 6.0)
    assert rank("whine_share_db", -40.0) == rank("hiss_band", 40.0) == 1.0
    assert rank("hiss_band", -40.0) == 1.0


def test_ranks_of_new_engine_bays_are_even(trained: Trained) -> None:
    """A new engine bay is as likely at any rank as at another: 800 ranks, mean 0.5, standard error 0.01."""
    rows = made_up_rows(800, 9, other_share=0.0)
    ranks = [
        trained.model.strangeness.judge(trained.model.values(row.measurements), trained.model.measures).rank
        for row in rows
    ]
    assert np.mean(ranks) == pytest.approx(0.5, abs=0.06)
    assert np.mean(np.array(ranks) > 0.9) == pytest.approx(0.1, abs=0.05)


def test_the_file_returns_the_same_answers(trained: Trained, tmp_path: Path) -> None:
    place = tmp_path / "model.json"
    place.write_text(model_to_text(trained.model))
    assert place.stat().st_size < LARGEST_BYTES
    again = load_model(place)
    for row in made_up_rows(30, 3):
        one, two = (model.predict(row.measurements, phrases={}) for model in (trained.model, again))
        assert str(one) == str(two)
    assert model_to_text(again) == model_to_text(trained.model)


def test_unknown_and_missing_measurements_are_no_error(trained: Trained) -> None:
    said = trained.model.predict({"of_another_version": 1.0, "snr_db": float("inf")}, phrases={})
    assert all(0.0 <= each.probability <= 1.0 for each in said.symptoms.values())


def test_yesterdays_file_is_read_and_says_what_it_said() -> None:
    """The file and its answers were written by tests/classifier/make_yesterday.py; both stay as they are."""
    frozen = json.loads(YESTERDAY.read_text())
    model = model_from_plain(frozen["model"])
    for case in frozen["cases"]:
        clip = {
            name: float("nan") if value is None else value for name, value in case["measurements"].items()
        }
        said = model.predict(clip, phrases={})
        for name in SYMPTOMS:
            assert said.symptoms[name].probability == pytest.approx(case["probability"][name], abs=1e-9)
        assert said.strangeness.distance == pytest.approx(case["distance"], abs=1e-9)


def test_the_trust_in_the_speed_returns_from_the_file_and_counts() -> None:
    rng = np.random.default_rng(8)
    rows = []
    for row in made_up_rows(500, 8):
        right = bool(rng.random() < 0.6)
        values = dict(row.measurements) | {
            "speed_confidence": float(np.clip(rng.normal(0.9 * right, 0.1), 0, 1))
        }
        if not right:
            values |= {f"{name}_score": float(rng.normal()) for name in SYMPTOMS}
        rows.append(replace(row, measurements=values, speed_right=right if row.engine else None))
    model = train_on_rows(rows, candidates=(CANDIDATES[1],), thorough=False).model
    again = model_from_plain(json.loads(model_to_text(model)))
    sure, lost = (usual_clip(pump_whine_score=3.0, speed_confidence=trust) for trust in (1.0, 0.0))
    for each in (model, again):
        said = [each.predict(clip, phrases={}).symptoms["pump_whine"].probability for clip in (sure, lost)]
        assert said[0] > 0.7 > 0.45 > said[1]
    quiet = usual_clip(pump_whine_score=-1.0, speed_confidence=0.4)
    elsewhere = [(0.6, usual_clip(pump_whine_score=3.0))]
    alone = model.predict(quiet, phrases={}).symptoms["pump_whine"].probability
    weighed = model.predict(quiet, phrases={}, others=elsewhere).symptoms["pump_whine"].probability
    assert model.weighs_readings
    assert alone < 0.3 < 0.45 < weighed < 0.65, "six tenths of what the likelier reading says"
    plain = json.loads(model_to_text(model))
    plain["symptoms"]["pump_whine"]["trust"] = 99
    with pytest.raises(ModelError, match="trust in measure 99"):
        model_from_plain(plain)


def plain_model() -> dict[str, Any]:
    return json.loads(YESTERDAY.read_text())["model"]


def test_another_schema_is_refused() -> None:
    with pytest.raises(ModelError) as refused:
        model_from_plain(plain_model() | {"schema": "audiodiag/model/99"}, name="old.json")
    assert str(refused.value) == (
        "old.json is no model of the kind this version reads (got schema 'audiodiag/model/99'; allowed: "
        "schema 'audiodiag/model/1'). What to do: train again with this version: audiodiag train."
    )


def law(name: str, *numbers: Any) -> dict[str, Any]:
    return {"law": name, "numbers": list(numbers)}


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda m: m["symptoms"].pop("belt_chirp"), "no entry 'belt_chirp'"),
        (lambda m: m["measures"].pop(), "scaling of"),
        (lambda m: m["symptoms"]["belt_chirp"].update(kind="oracle"), "kind of model 'oracle'"),
        (lambda m: m["symptoms"]["pump_whine"]["calibration"].update(numbers=[1.0]), "with 1 numbers"),
        (lambda m: m["symptoms"]["pump_whine"].update(model="none"), "indices must be integers"),
        (lambda m: m["usual"]["low"].pop(), "usual ranges do not fit"),
        (lambda m: m["strangeness"]["middle"].pop(), "middle, precision or most"),
        (lambda m: m["strangeness"].update(most=[1.0]), "middle, precision or most"),
        (lambda m: m["strangeness"].update(precision=[[1.0]]), "middle, precision or most"),
        (lambda m: m["strangeness"].update(most=[9.0] * len(m["strangeness"]["chosen"])), "a most beyond 8"),
        (lambda m: m["strangeness"]["chosen"].__setitem__(0, 1000), "a chosen measure beyond"),
        (lambda m: m["strangeness"]["chosen"].__setitem__(0, -1), "a chosen measure beyond"),
        (lambda m: m["strangeness"]["middle"].__setitem__(0, math.inf), "no number"),
        (lambda m: m["strangeness"].update(distances=[[1.0]]), "do not rise"),
        (lambda m: m["strangeness"].update(chosen=[math.inf]), "infinity"),
        (lambda m: m["strangeness"]["engine"].update(offset=math.nan), "a weight that is no number"),
        (lambda m: m["symptoms"]["pump_whine"].update(calibration=law("platt", math.nan, 0.0)), "is none"),
        (lambda m: m["symptoms"]["pump_whine"].update(calibration=law("isotonic", 0, 1, -5, 7)), "rise"),
        (lambda m: m["symptoms"]["pump_whine"].update(calibration=law("isotonic", 3, 1, 0, 1)), "rise"),
        (lambda m: m["symptoms"]["pump_whine"].update(astray=law("platt", 1, 0), trust=-1), "measure -1"),
        (lambda m: m["symptoms"]["pump_whine"].update(astray=law("platt", 1, 0), trust=1.9), "measure 1.9"),
        (lambda m: m["symptoms"]["pump_whine"].update(astray=law("platt", 1, 0), trust=math.inf), "inf"),
        (lambda m: m["symptoms"]["pump_whine"].update(astray=law("platt", 1, 0)), "no entry 'trust'"),
        (
            lambda m: m["symptoms"]["pump_whine"].update(calibration=law("platt", [1, 2], [3, 4])),
            "with 2 numbers",
        ),
        (lambda m: m.update(made=None), "not iterable"),
        (lambda m: m["made"].update(shares={"pump_whine": None}), "NoneType"),
        (lambda m: m["made"].update(shares={"pump_whine": math.nan}), "no number"),
    ],
)
def test_damage_is_refused_in_words(damage: Any, words: str) -> None:
    plain = plain_model()
    damage(plain)
    with pytest.raises(ModelError, match=r"symptoms\.json is damaged") as refused:
        model_from_plain(plain, name="symptoms.json")
    assert words in refused.value.got
    assert "audiodiag train" in refused.value.todo


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda judge: judge.update(judge="oracle"), "no entry 'oracle'"),
        (lambda judge: judge["engine"]["measure"].__setitem__(0, 10_000), "out of the list"),
        (lambda judge: judge["engine"]["value"].__setitem__(-1, math.nan), "a number that is none"),
        (lambda judge: judge["engine"]["threshold"].__setitem__(0, math.inf), "a number that is none"),
        (lambda judge: judge["engine"]["left"].__setitem__(1, 0), "leads back"),
    ],
)
def test_damaged_trees_of_the_engine_judge_are_refused(trained: Trained, damage: Any, words: str) -> None:
    plain = json.loads(model_to_text(trained.model))
    assert plain["strangeness"]["judge"] == "boosted"
    damage(plain["strangeness"])
    with pytest.raises(ModelError, match="damaged") as refused:
        model_from_plain(plain)
    assert words in refused.value.got


def test_a_missing_or_broken_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read"):
        load_model(tmp_path / "none.json")
    (tmp_path / "half.json").write_text('{"schema": "audiodiag/mod')
    (tmp_path / "deep.json").write_text("[" * 100_000)
    for broken in ("half.json", "deep.json"):
        with pytest.raises(ModelError, match="no JSON"):
            load_model(tmp_path / broken)


def test_reading_and_asking_is_quick_and_loads_no_training_library(trained: Trained, tmp_path: Path) -> None:
    place = tmp_path / "model.json"
    place.write_text(model_to_text(trained.model))
    load_model(place)
    started = time.process_time()
    model = load_model(place)
    model.predict(usual_clip(), phrases={})
    assert time.process_time() - started < 0.2
    code = (
        "import sys; from audiodiag.classifier.store import load_model;"
        f"load_model({str(place)!r}).predict({{}}, phrases={{}});"
        "print([m for m in ('sklearn', 'scipy.signal', 'matplotlib', 'librosa') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_card_tells_data_scores_and_limits(trained: Trained) -> None:
    card = card_text(trained)
    assert "400 simulated" in card
    for title in (
        "Made from",
        "Families compared",
        "Scores on clips kept apart",
        "Calibration",
        "Limits of use",
    ):
        assert f"## {title}" in card
    for symptom in SYMPTOMS:
        assert card.count(f"| {symptom} |") >= 4
    assert "simulated clips" in card
    assert "nan" not in card


def test_the_model_tells_how_often_each_symptom_was_there(trained: Trained) -> None:
    shares = trained.model.shares
    assert list(shares) == list(SYMPTOMS)
    there, heard = (
        0.9 * 0.25,
        0.644,
    )  # levels are drawn from -20 to 3 dB; mean of the law of hearing over them
    expected = there * heard / (1 - there * (1 - heard))
    assert shares["pump_whine"] == pytest.approx(expected, abs=0.05)


def test_the_model_is_frozen(trained: Trained) -> None:
    with pytest.raises(AttributeError):
        trained.model.measures = ()  # type: ignore[misc]
    assert isinstance(trained.model, Model)
