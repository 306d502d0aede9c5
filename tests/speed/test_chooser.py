"""The sum beside the nets: what it sees, what it brings, and how it comes back from a file."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from audiodiag.classifier.chooser_training import fit_chooser
from audiodiag.records import FloatArray
from audiodiag.speed.chooser import Chooser, ChooserNet, beside_best, chooser_from_plain, chooser_to_plain

NOTHING = np.zeros(0)


def plain_sum(direct: list[float]) -> Chooser:
    """A chooser of one net that only adds up."""
    size = len(direct)
    net = ChooserNet(np.zeros((size, 0)), NOTHING, NOTHING, np.array(direct))
    return Chooser(np.zeros(size), np.ones(size), (net,), np.array([0.0, 1.0]))


def clips(rng: np.random.Generator, count: int) -> tuple[list[FloatArray], list[tuple[int, ...]]]:
    """The right row has the greatest first number of its clip; each clip has a level of its own."""
    features = []
    for _ in range(count):
        rows = rng.normal(0.0, 1.0, (6, 2))
        rows[:, 0] += rng.normal(0.0, 30.0)
        rows[-1] = np.nan
        features.append(rows)
    return features, [(int(np.argmax(rows[:-1, 0])),) for rows in features]


def test_the_score_is_the_mean_of_the_nets_and_the_sum() -> None:
    nets = plain_sum([1.0, 0.0])
    both = replace(nets, beside=plain_sum([0.0, 0.0, 0.0, 2.0]))
    features = np.array([[1.0, 2.0], [0.5, 1.0], [np.nan, np.nan]])
    np.testing.assert_allclose(nets.scores(features), [1.0, 0.5, 0.0])
    np.testing.assert_allclose(both.scores(features), [0.5, -0.75, 0.0])


def test_how_far_a_number_lies_behind_the_best_is_learnt_whatever_its_level() -> None:
    rng = np.random.default_rng(3)
    chooser = fit_chooser(*clips(rng, 150), [1.0] * 150)
    assert chooser.beside is not None
    features, right = clips(rng, 100)
    chosen = [int(np.argmax(chooser.beside.scores(beside_best(rows)))) for rows in features]
    assert np.mean([c == r[0] for c, r in zip(chosen, right, strict=True)]) > 0.95


def test_the_sum_returns_from_plain_numbers() -> None:
    features, right = clips(np.random.default_rng(4), 20)
    chooser = fit_chooser(features, right, [1.0] * 20)
    plain = json.loads(json.dumps(chooser_to_plain(chooser)))
    again = chooser_from_plain(plain, 2)
    assert again.beside is not None and again.beside.centre.shape == (4,)
    np.testing.assert_allclose(again.scores(features[0]), chooser.scores(features[0]), atol=1e-3)
    plain["beside"]["centre"] = plain["beside"]["centre"][:2]
    with pytest.raises(ValueError, match="do not fit"):
        chooser_from_plain(plain, 2)


@pytest.mark.parametrize("spoilt", [float("nan"), float("inf"), None, "1.5", True, 1e7, 10**400])
@pytest.mark.parametrize("where", ["centre", "scale", "trust", "hidden", "bias", "out", "direct"])
@pytest.mark.parametrize("whose", ["own", "beside"])
def test_a_weight_that_is_no_number_is_refused(spoilt: object, where: str, whose: str) -> None:
    net = ChooserNet(np.ones((2, 1)), np.ones(1), np.ones(1), np.ones(2))
    twice = ChooserNet(np.ones((4, 1)), np.ones(1), np.ones(1), np.ones(4))
    right = np.array([0.0, 1.0])
    beside = Chooser(np.zeros(4), np.ones(4), (twice, twice), right)
    plain = chooser_to_plain(Chooser(np.zeros(2), np.ones(2), (net, net), right, beside))
    chooser_from_plain(plain, 2)
    mine = plain if whose == "own" else plain["beside"]
    if where in ("centre", "scale", "trust"):
        mine[where] = [spoilt] * len(mine[where])
    else:
        mine["nets"][1][where] = [[spoilt]] * len(mine["centre"]) if where == "hidden" else [spoilt]
        if where == "direct":
            mine["nets"][1][where] *= len(mine["centre"])
    with pytest.raises(ValueError, match="a weight is not a number"):
        chooser_from_plain(plain, 2)


def test_a_sum_beside_the_sum_is_refused() -> None:
    inner = plain_sum([0.0] * 8)
    plain = chooser_to_plain(
        replace(plain_sum([1.0, 0.0]), beside=replace(plain_sum([0.0] * 4), beside=inner))
    )
    with pytest.raises(ValueError, match="stands another"):
        chooser_from_plain(plain, 2)
