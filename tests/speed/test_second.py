"""The second opinion for unknown cylinders, on drawn clips whose lines are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from audiodiag.classifier.chooser_training import fit_sum
from audiodiag.records import FloatArray
from audiodiag.resources import shipped_folder
from audiodiag.speed.acoustic import Candidate, choose
from audiodiag.speed.comb import load_comb_weights
from audiodiag.speed.front import Baseband
from audiodiag.speed.hypotheses import HYPOTHESIS_FEATURES, Hypothesis
from audiodiag.speed.refine import RefinedTrack, long_order_levels, straighten, straighten_clean
from audiodiag.speed.second import SECOND_FEATURES, mean_of_opinions, second_features, with_score

RATE, RPM = 2400.0, 900.0
TIME = np.arange(0.0, 10.0, 0.1)


def levels(values: FloatArray, *, clean: bool) -> FloatArray:
    band = Baseband(values.astype(np.float32), RATE)
    rpm = np.full(len(TIME), RPM)
    return long_order_levels(straighten_clean(band, TIME, rpm) if clean else straighten(band, TIME, rpm)[0])


def test_a_tone_above_the_orders_does_not_fold_back() -> None:
    at = np.arange(int(10 * RATE)) / RATE
    noise = np.random.default_rng(0).normal(size=len(at))
    values = noise + 3.0 * np.sin(2 * np.pi * (64 - 5.25) * RPM / 60 * at)
    place = round(5.25 * 96)
    assert levels(values, clean=False)[place] > 2.0
    assert levels(values, clean=True)[place] < 1.5


def test_a_tone_among_the_orders_stays() -> None:
    at = np.arange(int(10 * RATE)) / RATE
    values = np.random.default_rng(1).normal(size=len(at)) + np.sin(2 * np.pi * 5.5 * RPM / 60 * at)
    assert levels(values, clean=True)[round(5.5 * 96)] > 2.5


GUESSES = (Hypothesis(1.0, 6), Hypothesis(1.5, 4), Hypothesis(2.0, 3), Hypothesis(1.0, 4))


def described(**values: float) -> FloatArray:
    rows = np.zeros((len(GUESSES) + 1, len(HYPOTHESIS_FEATURES)))
    for name, value in values.items():
        rows[:, HYPOTHESIS_FEATURES.index(name)] = value
    return rows


def drawn(*orders: float) -> FloatArray:
    rng = np.random.default_rng(7)
    spectra = []
    for step in (1 / 96, 1 / 288):
        values = rng.normal(size=int(32 / step) + 1)
        values[[round(o / step) for o in orders]] += 6.0
        spectra.append(values)
    two = (spectra[0], spectra[1])
    return second_features([(two, two)], [RPM], GUESSES, described(sharpness=0.7))


def column(table: FloatArray, name: str) -> FloatArray:
    return table[:, SECOND_FEATURES.index(name)]


def test_half_orders_speak_for_the_engine_that_has_them_and_firing_lines_for_none_before_its_like() -> None:
    table = drawn(*(h / 2 for h in range(1, 40)))
    assert column(table, "rhythm_before_alike")[:4].argmax() == 0
    assert column(table, "rhythm_before_alike")[1] < -5.0
    assert column(table, "firing_low")[0] == pytest.approx(column(table, "firing_low")[2])
    assert column(table, "firing_low")[3] != pytest.approx(column(table, "firing_low")[0])
    silent = drawn(*(3.0 * k for k in range(1, 7)))
    assert abs(column(silent, "rhythm_before_alike")[:3]).max() < 4.0


def test_none_of_these_has_a_row_of_its_own() -> None:
    table = drawn(3.0)
    assert table.shape == (5, len(SECOND_FEATURES))
    assert column(table, "none_sharpness")[-1] == 0.7
    assert np.isnan(column(table, "none_sharpness")[:-1]).all()
    assert column(table, "none_of_these").tolist() == [0, 0, 0, 0, 1]
    assert with_score(table, np.arange(5.0))[:, 0].tolist() == [0, 1, 2, 3, 4]


def test_the_mean_decides_and_only_where_the_cylinders_are_open() -> None:
    weights = load_comb_weights()
    assert weights.second is not None
    track = RefinedTrack(TIME, np.full(len(TIME), RPM), np.ones(len(TIME)))
    features = np.random.default_rng(3).normal(size=(5, len(HYPOTHESIS_FEATURES)))
    told = Candidate((track,), GUESSES, features, (np.ones(len(TIME)),))
    plain = choose(told, weights)
    assert plain == choose(told, replace(weights, second=None))
    assert plain.confidence == pytest.approx(weights.chooser.confidence(plain.probability))
    second = drawn(*(h / 2 for h in range(1, 40)))
    opened = choose(replace(told, second=second), weights)
    first = weights.chooser.scores(features)
    shares = mean_of_opinions(first, weights.second.scores(with_score(second, first)))
    assert opened.probability == pytest.approx(max(shares[0] + shares[3], shares[1], shares[2]))
    assert opened.confidence == pytest.approx(weights.second.confidence(opened.probability))


def test_a_model_file_of_before_the_second_opinion_is_read(tmp_path: Path) -> None:
    stored = json.loads((shipped_folder("models") / "speed.json").read_text(encoding="utf-8"))
    assert stored.pop("second") and stored.pop("second_features") == len(SECOND_FEATURES)
    old = tmp_path / "speed.json"
    old.write_text(json.dumps(stored), encoding="utf-8")
    assert load_comb_weights(old).second is None


def test_a_plain_sum_finds_the_column_that_tells() -> None:
    rng = np.random.default_rng(5)
    features = [rng.normal(size=(6, 3)) for _ in range(200)]
    right = [(int(rows[:, 1].argmax()),) for rows in features]
    chooser = fit_sum(features, right, [1.0] * 200)
    weights = chooser.nets[0].direct
    assert weights[1] > 5 * max(abs(weights[0]), abs(weights[2]))
    assert (
        np.mean([int(chooser.scores(x).argmax()) == r[0] for x, r in zip(features, right, strict=True)])
        > 0.95
    )
