"""The tracker against brute force, and the comb's tables."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from audiodiag.classifier.speed_training import fit_hypotheses, tooth_groups
from audiodiag.errors import ModelError
from audiodiag.speed.comb import CYLINDERS, TEETH, load_comb_weights
from audiodiag.speed.tracking import best_path, forward_backward, step_law


def brute(scores: np.ndarray, kernel: np.ndarray) -> tuple[float, np.ndarray, tuple[int, ...]]:
    """Sum over all paths: evidence, posterior, best path."""
    frames, grid = scores.shape
    reach = len(kernel) // 2
    total, posterior, best, best_path_found = 0.0, np.zeros(scores.shape), -1.0, ()
    for path in itertools.product(range(grid), repeat=frames):
        weight = np.exp(sum(scores[i, s] for i, s in enumerate(path))) / grid
        for a, b in itertools.pairwise(path):
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
    evidence, posterior, path = brute(scores, law.kernel)
    found = forward_backward(scores, law)
    np.testing.assert_allclose(found.posterior, posterior, atol=1e-9)
    assert found.log_evidence == pytest.approx(evidence, abs=1e-9)
    assert tuple(best_path(scores, law)) == path


@pytest.mark.parametrize("cylinders", CYLINDERS)
def test_tooth_groups_hold_every_tooth_once(cylinders: int) -> None:
    groups = tooth_groups(cylinders)
    assert np.all((groups > 0).sum(axis=0) == 1)
    firing = groups[0] > 0
    assert TEETH[firing].tolist() == [cylinders / 2]


def test_hypothesis_fit_finds_the_telling_feature() -> None:
    rng = np.random.default_rng(0)
    features, right = [], []
    for _ in range(60):
        rows = rng.standard_normal((5, 3))
        truth = int(rng.integers(5))
        rows[truth, 1] += 3.0
        features.append(rows)
        right.append((truth,))
    centre, scale, weights = fit_hypotheses(features, right, ridge=1e-2)
    assert weights[1] > 3 * max(abs(weights[0]), abs(weights[2]))
    chosen = [int(np.argmax(((rows - centre) / scale) @ weights)) for rows in features]
    assert np.mean([c == r[0] for c, r in zip(chosen, right, strict=True)]) > 0.85


def test_broken_speed_model_is_refused_in_words(tmp_path: Path) -> None:
    broken = tmp_path / "speed.json"
    broken.write_text(json.dumps({"schema": "audiodiag/speed/1", "teeth": {}}), encoding="utf-8")
    with pytest.raises(ModelError, match=r"speed.json cannot be read .* install audiodiag again"):
        load_comb_weights(broken)
    with pytest.raises(ModelError, match="FileNotFoundError"):
        load_comb_weights(tmp_path / "none.json")
