"""Firings laid in rows, on drawn engines whose cylinders are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from audiodiag.classifier.chooser_training import RowExample, fit_firings
from audiodiag.records import FloatArray
from audiodiag.resources import shipped_folder
from audiodiag.speed.acoustic import Candidate, Choice, choose, lines_of, readings
from audiodiag.speed.comb import load_comb_weights
from audiodiag.speed.firings import (
    CYLINDERS,
    LINE_PLACES,
    NUMBER_FEATURES,
    OWN_LINES,
    FiringModel,
    describe_numbers,
    firing_model_from_plain,
    firing_model_to_plain,
    row_lines,
    swells,
)
from audiodiag.speed.front import basebands
from audiodiag.speed.hypotheses import HYPOTHESIS_FEATURES, Hypothesis
from audiodiag.speed.refine import RefinedTrack
from audiodiag.speed.second import SECOND_FEATURES

RATE, SECONDS, FIRING_HZ = 32000, 10.0, 40.0
TIME = np.arange(0.0, SECONDS, 0.1)
WANDER = FIRING_HZ * (1 + 0.006 * np.sin(2.1 * TIME) + 0.004 * np.sin(5.3 * TIME))
"""No engine keeps its speed to the thousandth; one that did would beat with the frames of the swells."""

STRENGTHS = (0.0, 1.0, -0.8, 0.6, -1.2, 0.3, 0.9, -0.5)


def drawn(cylinders: int, *, spread: float, seed: int = 0) -> FloatArray:
    """Low pulses that are all alike, and ticks at 4 to 7 kHz whose strength goes by the cylinder."""
    rng = np.random.default_rng([seed, cylinders])
    at = np.arange(int(SECONDS * RATE)) / RATE
    count = np.cumsum(np.interp(at, TIME, WANDER)) / RATE
    own = np.exp(spread * np.array(STRENGTHS[:cylinders]))[np.floor(count).astype(int) % cylinders]
    beat = np.exp(-(count % 1.0) / 0.15)
    ticks = np.exp(-((count + 0.4) % 1.0) / 0.05) * own
    hiss = np.fft.rfft(rng.standard_normal(len(at)))
    hz = np.fft.rfftfreq(len(at), 1 / RATE)
    high = np.fft.irfft(hiss * ((hz > 4000) & (hz < 7000)), len(at))
    return np.asarray(beat + ticks * high + 0.05 * rng.standard_normal(len(at)))


def lines(samples: FloatArray) -> FloatArray:
    found = row_lines(swells(samples, RATE), basebands(samples, RATE)[0], TIME, np.full(len(TIME), FIRING_HZ))
    assert found is not None
    return found


@pytest.mark.parametrize("cylinders", CYLINDERS)
def test_lines_stand_where_an_engine_of_so_many_cylinders_has_them(cylinders: int) -> None:
    found = lines(drawn(cylinders, spread=0.7))[: len(LINE_PLACES)]
    own = OWN_LINES[CYLINDERS.index(cylinders)]
    assert found[own].max() > 3.5
    assert found[~own].max() < 3.0


def test_cylinders_that_are_all_alike_show_no_lines() -> None:
    assert lines(drawn(4, spread=0.0))[:-1].max() < 3.0


def test_a_few_firings_are_not_looked_at() -> None:
    samples = drawn(4, spread=0.2)[:RATE]
    low = basebands(samples, RATE)[0]
    assert row_lines(swells(samples, RATE), low, TIME[:10], np.full(10, FIRING_HZ)) is None


def test_a_low_sampling_rate_leaves_the_high_bands_out() -> None:
    assert swells(np.zeros(8000), 8000).levels.shape[1] < swells(np.zeros(48000), 48000).levels.shape[1] == 12


def plain_model() -> FiringModel:
    """Own lines speak for a number, others against it."""
    weights = np.zeros(len(NUMBER_FEATURES))
    weights[NUMBER_FEATURES.index("bands_own_least")] = 1.0
    weights[NUMBER_FEATURES.index("bands_others_most")] = -1.0
    return FiringModel(np.zeros(len(weights)), np.ones(len(weights)), weights)


def test_shares_weigh_the_rows_and_what_was_thought_before() -> None:
    model, found = plain_model(), lines(drawn(6, spread=0.7))
    shares = model.shares(found, {4: 0.3, 6: 0.3, 3: 0.3})
    assert sum(shares.values()) == pytest.approx(1.0)
    assert max(shares, key=lambda n: shares[n]) == 6
    assert model.shares(found, {6: 0.001, 4: 0.9})[6] < shares[6]


GUESSES = (Hypothesis(1.0, 6), Hypothesis(1.5, 4), Hypothesis(2.0, 3), Hypothesis(1.0, 4))


def candidate(samples: FloatArray) -> Candidate:
    track = RefinedTrack(TIME, 20 * WANDER, np.ones(len(TIME)))
    features, second = np.zeros((5, len(HYPOTHESIS_FEATURES))), np.zeros((5, len(SECOND_FEATURES)))
    sound, low = swells(samples, RATE), basebands(samples, RATE)[0]
    return Candidate((track,), GUESSES, features, (np.ones(len(TIME)),), second, sound, low)


def shares_of(choice: Choice) -> dict[tuple[float, int], float]:
    """Probability of each reading by its factor on the track and its cylinders."""
    best = choice.hypothesis
    found = {(best.factor, best.cylinders): choice.probability * choice.cylinders_probability}
    for other in choice.alternatives:
        found[round(other.factor * best.factor, 3), other.cylinders or 0] = other.probability
    return found


def test_only_readings_that_fire_alike_share_anew() -> None:
    found, weights = candidate(drawn(6, spread=0.7)), load_comb_weights()
    without = choose(found, replace(weights, firings=None))
    assert without == choose(replace(found, sound=None), replace(weights, firings=plain_model()))
    before = shares_of(without)
    after = shares_of(choose(found, replace(weights, firings=plain_model())))
    alike = [(1.0, 6), (1.5, 4), (2.0, 3)]
    assert after[1.0, 4] == pytest.approx(before[1.0, 4])
    together = [sum(shares.get(reading, 0.0) for reading in alike) for shares in (before, after)]
    assert together[0] == pytest.approx(together[1], abs=0.01)
    assert after[1.0, 6] > max(0.7 * together[1], before[1.0, 6])
    assert lines_of(replace(found, sound=None), 0) is None
    speeds, numbers = readings(found)
    assert speeds * numbers == pytest.approx(speeds[0] * np.array([6, 6, 6, 4]))


def test_a_fit_finds_which_lines_tell() -> None:
    examples = [
        RowExample(lines(drawn(n, spread=0.7, seed=seed)), n, 1.0) for n in CYLINDERS for seed in range(1, 5)
    ]
    model = fit_firings(examples)
    new = [(n, model.scores(lines(drawn(n, spread=0.7, seed=9)))) for n in CYLINDERS]
    assert all(CYLINDERS[int(score.argmax())] == n for n, score in new)
    assert describe_numbers(examples[0].lines).shape == (len(CYLINDERS), len(NUMBER_FEATURES))


def test_a_model_goes_through_plain_numbers_and_odd_ones_are_refused() -> None:
    plain = firing_model_to_plain(plain_model())
    assert np.array_equal(firing_model_from_plain(plain).weights, plain_model().weights)
    with pytest.raises(ValueError, match="shapes"):
        firing_model_from_plain(plain | {"weights": [1.0]})


def test_a_model_file_of_before_the_firings_is_read(tmp_path: Path) -> None:
    stored = json.loads((shipped_folder("models") / "speed.json").read_text(encoding="utf-8"))
    stored.pop("firings", None)
    old = tmp_path / "speed.json"
    old.write_text(json.dumps(stored), encoding="utf-8")
    assert load_comb_weights(old).firings is None
