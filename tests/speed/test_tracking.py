"""The tracker against brute force, and the comb's tables."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from audiodiag.classifier.chooser_training import fit_chooser, fit_trust
from audiodiag.classifier.speed_training import tooth_groups
from audiodiag.errors import ModelError
from audiodiag.resources import shipped_folder
from audiodiag.speed.chooser import chooser_from_plain, chooser_to_plain
from audiodiag.speed.comb import CYLINDERS, SCHEMA, TEETH, comb_scores, load_comb_weights, tooth_levels
from audiodiag.speed.front import CHANNELS, LOG_STEP, FrontEnd, log_axis
from audiodiag.speed.moves import contradiction, measured_moves
from audiodiag.speed.tracking import best_path, forward_backward, log_evidence, step_law


def brute(scores: np.ndarray, kernels: np.ndarray) -> tuple[float, np.ndarray, tuple[int, ...]]:
    """Sum over all paths: evidence, posterior, best path. kernels: of each hop."""
    frames, grid = scores.shape
    reach = kernels.shape[1] // 2
    total, posterior, best, best_path_found = 0.0, np.zeros(scores.shape), -1.0, ()
    for path in itertools.product(range(grid), repeat=frames):
        weight = np.exp(sum(scores[i, s] for i, s in enumerate(path))) / grid
        for kernel, (a, b) in zip(kernels, itertools.pairwise(path), strict=True):
            weight *= kernel[b - a + reach] if abs(b - a) <= reach else 0.0
        total += weight
        for i, state in enumerate(path):
            posterior[i, state] += weight
        if weight > best:
            best, best_path_found = weight, path
    return float(np.log(total)), posterior / total, best_path_found


def test_forward_backward_and_best_path_equal_brute_force() -> None:
    """Source of the recursions: Rabiner, Proc. IEEE 77(2), 1989, 257 (from memory)."""
    scores = np.random.default_rng(2).normal(0, 1.5, (4, 5))
    law = step_law(narrow=0.8, wide=2.0, wide_share=0.3, reach=2)
    drawn = np.random.default_rng(3).uniform(0.01, 1.0, (3, 5))
    for moves in (None, np.log(drawn / drawn.sum(axis=1, keepdims=True))):
        kernels = np.tile(law.kernel, (3, 1)) if moves is None else np.exp(moves)
        evidence, posterior, path = brute(scores, kernels)
        found = forward_backward(scores, law, moves)
        np.testing.assert_allclose(found.posterior, posterior, atol=1e-9)
        assert found.log_evidence == pytest.approx(evidence, abs=1e-9)
        assert log_evidence(scores[None], law, moves)[0] == pytest.approx(evidence, abs=1e-9)
        assert tuple(best_path(scores, law, moves)) == path


def test_tables_that_are_followed_together_do_not_reach_over_to_each_other() -> None:
    """The lower end of one is loud: steps to it from the upper end of the one before would be seen."""
    law = step_law(narrow=3.0, wide=9.0, wide_share=0.4, reach=12)
    for grid in (9, 60):
        scores = np.random.default_rng(1).normal(0.0, 2.0, (4, 15, grid))
        scores[1, :, :3] += 12.0
        drawn = np.random.default_rng(2).uniform(0.01, 1.0, (14, 25))
        moves = np.log(drawn / drawn.sum(axis=1, keepdims=True))
        alone = [forward_backward(table, law, moves).log_evidence for table in scores]
        np.testing.assert_allclose(log_evidence(scores, law, moves), alone, rtol=1e-12)


def test_one_law_for_all_steps_is_the_same_as_saying_it_for_each() -> None:
    law = step_law(narrow=0.7, wide=4.0, wide_share=0.1, reach=8)
    scores = np.random.default_rng(3).normal(0.0, 3.0, (40, 25))
    each = np.tile(np.log(law.kernel), (39, 1))
    one, many = forward_backward(scores, law), forward_backward(scores, law, each)
    np.testing.assert_allclose(one.posterior, many.posterior, atol=1e-12)
    assert one.log_evidence == pytest.approx(many.log_evidence, rel=1e-12)
    assert (best_path(scores, law) == best_path(scores, law, each)).all()


def test_steps_of_the_sound_keep_a_path_on_its_octave() -> None:
    """A comb that rises by half an octave in 2 s, where single frames lure to half of it for a while."""
    axis, frames = len(log_axis()), 40
    course = np.round(np.interp(np.arange(frames), [10, 30], [150, 210])).astype(int)
    spectra = np.abs(np.random.default_rng(1).normal(0.0, 0.4, (len(CHANNELS), frames, axis)))
    for i, place in enumerate(course):
        spectra[:, i, place + np.round(np.log(np.arange(1, 7)) / LOG_STEP).astype(int)] = 4.0
    lured = np.zeros((frames, 300))
    lured[np.arange(frames), course] = 3.0
    octave = round(np.log(2) / LOG_STEP)
    lured[np.arange(20, frames), course[20:] - octave] = 5.2
    law = step_law(narrow=1.0, wide=15.0, wide_share=0.2, reach=40)
    assert np.abs(best_path(lured, law) - course).max() > 100
    moves = measured_moves(spectra, law)
    np.testing.assert_allclose(np.exp(moves).sum(axis=1), 1.0)
    assert np.abs(best_path(lured, law, moves) - course).max() <= 2


def test_a_course_that_changes_its_octave_is_contradicted_and_one_that_follows_is_not() -> None:
    """An engine that rises by a third and stays; a course that starts at its double and falls down to it."""
    rng, frames = np.random.default_rng(7), 60
    course = np.interp(np.arange(frames), [20, 40], [0.0, 0.35])
    spectra = np.abs(rng.normal(0.0, 0.4, (len(CHANNELS), frames, len(log_axis()))))
    for i, octave in enumerate(course):
        place = 150 + np.round((octave + np.log(np.arange(1, 7))) / LOG_STEP).astype(int)
        spectra[:, i, place] = 4.0
    moves = measured_moves(spectra, step_law(narrow=1.0, wide=15.0, wide_share=0.2, reach=40))
    rpm = 800.0 * np.exp(course)
    lost = rpm * 2.0 ** np.interp(np.arange(frames), [28, 32], [1.0, 0.0])
    assert contradiction(moves, rpm) < 3.0 < 15.0 < contradiction(moves, lost)
    assert contradiction(moves[:0], rpm[:1]) == 0.0


def test_moves_of_a_few_frames_are_those_of_the_law() -> None:
    law = step_law(narrow=1.0, wide=15.0, wide_share=0.2, reach=4)
    for frames in (1, 2):
        moves = measured_moves(np.ones((len(CHANNELS), frames, 50)), law)
        np.testing.assert_allclose(np.exp(moves), np.tile(law.kernel, (frames - 1, 1)))


@pytest.mark.parametrize("cylinders", CYLINDERS)
def test_tooth_groups_hold_every_tooth_once(cylinders: int) -> None:
    groups = tooth_groups(cylinders)
    assert np.all((groups > 0).sum(axis=0) == 1)
    firing = groups[0] > 0
    assert TEETH[firing].tolist() == [cylinders / 2]


def told_apart(rng: np.random.Generator, clips: int) -> tuple[list[np.ndarray], list[tuple[int, ...]]]:
    """Clips whose true row shows in the product of two features; a third of them holds no true row."""
    features, right = [], []
    for _ in range(clips):
        rows = rng.uniform(-1, 1, (6, 4))
        rows[-1] = np.nan
        rows[-1, 3] = 1.0
        rows[:-1, 3] = 0.0
        none = rng.random() < 1 / 3
        truth = 5 if none else int(rng.integers(5))
        rows[:5, 0] = -0.8 * np.sign(rows[:5, 1])
        if not none:
            rows[truth, 0] = 0.8 * np.sign(rows[truth, 1])
        features.append(rows)
        right.append((truth,))
    return features, right


def test_chooser_learns_what_no_single_feature_tells_and_says_where_nothing_fits() -> None:
    rng = np.random.default_rng(0)
    chooser = fit_chooser(*told_apart(rng, 300), [1.0] * 300)
    features, right = told_apart(rng, 100)
    nets = replace(chooser, beside=None)
    chosen = [int(np.argmax(nets.probabilities(rows))) for rows in features]
    assert np.mean([c == r[0] for c, r in zip(chosen, right, strict=True)]) > 0.9
    assert chooser.probabilities(features[0]).sum() == pytest.approx(1.0)


def test_chooser_comes_back_from_plain_numbers() -> None:
    features, right = told_apart(np.random.default_rng(1), 30)
    chooser = fit_chooser(features, right, [1.0] * 30)
    again = chooser_from_plain(json.loads(json.dumps(chooser_to_plain(chooser))), 4)
    np.testing.assert_allclose(
        again.probabilities(features[0]), chooser.probabilities(features[0]), atol=1e-3
    )
    with pytest.raises(ValueError, match="do not fit"):
        chooser_from_plain(chooser_to_plain(chooser), 5)


def test_trust_undoes_overconfidence() -> None:
    rng = np.random.default_rng(2)
    true_odds = rng.normal(0.5, 1.5, 4000)
    right = rng.random(4000) < 1 / (1 + np.exp(-true_odds))
    said = 1 / (1 + np.exp(-2 * true_odds))
    assert fit_trust(said.tolist(), right.tolist()) == pytest.approx([0.0, 0.5], abs=0.1)


def test_broken_speed_model_is_refused_in_words(tmp_path: Path) -> None:
    broken = tmp_path / "speed.json"
    broken.write_text(json.dumps({"schema": SCHEMA, "teeth": {}}), encoding="utf-8")
    with pytest.raises(ModelError, match=r"speed.json cannot be read .* install audiodiag again"):
        load_comb_weights(broken)
    with pytest.raises(ModelError, match="FileNotFoundError"):
        load_comb_weights(tmp_path / "none.json")
    shipped = json.loads((shipped_folder("models") / "speed.json").read_text(encoding="utf-8"))
    other = tmp_path / "other.json"
    for changed in ({"teeth": [1]}, {"chooser_features": 100}, {"second_features": 3}):
        other.write_text(json.dumps(shipped | changed), encoding="utf-8")
        with pytest.raises(ModelError, match=r"other.json cannot be read .* install audiodiag again"):
            load_comb_weights(other)
    for text, said in (
        ("[" * 200_000, "RecursionError"),
        (json.dumps({name: shipped[name] for name in shipped if name != "chooser"}), "KeyError, 'chooser'"),
        (json.dumps(shipped | {"chooser_features": shipped["chooser_features"] + 0.5}), "in this version"),
        (json.dumps(shipped | {"chooser_features": 1e999}), "in this version"),
        (json.dumps(shipped | {"schema": "audiodiag/speed/2"}), "another schema or shape"),
    ):
        other.write_text(text, encoding="utf-8")
        with pytest.raises(ModelError, match=f"other.json cannot be read .*{said}"):
            load_comb_weights(other)
    del shipped["chooser"]["beside"]
    other.write_text(json.dumps(shipped), encoding="utf-8")
    with pytest.raises(ModelError, match=r"other.json cannot be read .*the sum beside the nets is missing"):
        load_comb_weights(other)


@pytest.mark.parametrize("spoilt", ["NaN", "Infinity", "1e999", "null", "1" + 400 * "0"])
@pytest.mark.parametrize("where", ["teeth", "centre", "scale", "weights"])
def test_a_speed_model_with_a_weight_that_is_no_number_is_refused(
    tmp_path: Path, spoilt: str, where: str
) -> None:
    shipped = json.loads((shipped_folder("models") / "speed.json").read_text(encoding="utf-8"))
    numbers = shipped["teeth"]["4"][0] if where == "teeth" else shipped["firings"][where]
    numbers[0] = 123456.0
    other = tmp_path / "other.json"
    other.write_text(json.dumps(shipped).replace("123456.0", spoilt), encoding="utf-8")
    with pytest.raises(ModelError, match=r"other.json cannot be read .*a weight is not a number"):
        load_comb_weights(other)


def test_scores_are_the_weighted_levels_at_the_teeth() -> None:
    rng = np.random.default_rng(4)
    axis = log_axis()
    front = FrontEnd(
        rng.normal(size=(len(CHANNELS), 3, len(axis))).astype(np.float32), axis, np.arange(3.0), np.zeros(3)
    )
    weights = load_comb_weights()
    found = comb_scores(front, weights, (4, 6))
    for number in (4, 6):
        direct = sum(
            weights.teeth[number][channel, tooth] * tooth_levels(front, channel, tooth)
            for channel in range(len(CHANNELS))
            for tooth in range(len(TEETH))
        )
        np.testing.assert_allclose(found[number], direct, atol=2e-4)
