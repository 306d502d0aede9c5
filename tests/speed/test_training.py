"""Training of the speed room on a handful of simulated clips: it runs, repeats and is read back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audiodiag.classifier.speed_training import (
    BAYS,
    FASTER_COUNTS,
    LOUD_COUNTS,
    LOUD_DB,
    LOUD_SHARES,
    _cases_of,
    _clip_of,
    _loud_seeds,
    _loud_symptom,
    _made,
    choose_on_cases,
    train_speed,
)
from audiodiag.classifier.train import train
from audiodiag.errors import UsageError
from audiodiag.speed.comb import CombWeights, load_comb_weights
from audiodiag.speed.hypotheses import HYPOTHESIS_FEATURES
from audiodiag.speed.second import SECOND_FEATURES


def test_training_repeats_to_the_bit_and_is_read_back(tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
        train_speed(range(100_000, 100_003), out=folder)
    one, two = ((folder / "speed.json").read_bytes() for folder in folders)
    assert one == two
    weights = load_comb_weights(folders[0] / "speed.json")
    assert weights.chooser.centre.shape == (len(HYPOTHESIS_FEATURES),)
    assert weights.chooser.nets and weights.chooser.trust.shape == (2,)
    assert weights.chooser.beside is not None
    assert "2 with a loud symptom, seeds 1400000 to 1400001" in (folders[0] / "speed.json").read_text()
    assert weights.second is not None and weights.second.centre.shape == (len(SECOND_FEATURES),)
    assert weights.second.trust.shape == (2,)


def test_the_comb_can_be_kept_as_shipped(tmp_path: Path) -> None:
    train_speed(range(100_000, 100_002), out=tmp_path, keep_comb=True)
    shipped, found = load_comb_weights(), load_comb_weights(tmp_path / "speed.json")
    assert all(np.array_equal(shipped.teeth[n], found.teeth[n]) for n in shipped.teeth)
    assert not np.array_equal(shipped.chooser.centre, found.chooser.centre)
    with pytest.raises(UsageError, match="--keep-comb is given, but no clips to learn"):
        train(clips=40, keep_comb=True, out=tmp_path)


def test_a_clip_played_faster_keeps_its_truth() -> None:
    """One in six is; its times shrink as its speeds grow, so the turns of the engine stay as many."""
    made = [(_made(seed), _clip_of(seed)) for seed in range(100_006, 100_012)]
    factors = [after[2].get("faster", 1.0) for _, after in made]
    assert 1 <= sum(factor > 1.0 for factor in factors) < len(factors)
    for (before, after), factor in zip(made, factors, strict=True):
        assert after[1] == pytest.approx(factor * before[1])
        turns = [np.trapezoid(truth["rpm"], truth["time_s"]) / 60.0 for truth in (before[2], after[2])]
        assert turns[0] == pytest.approx(turns[1])
        assert np.max(after[2]["rpm"]) == pytest.approx(factor * np.max(before[2]["rpm"]))


def test_a_loud_clip_holds_one_symptom_as_loud_as_the_engine() -> None:
    seeds = _loud_seeds(range(100_000, 100_012))
    assert len(seeds) == 6 and {BAYS[seed % 3] for seed in seeds} == set(BAYS)
    drawn = []
    for seed in seeds[:3]:
        truth = _made(seed, loud=True)[2]
        (name,) = truth["symptoms"]
        assert name in LOUD_SHARES
        drawn.append(truth["level_db_re_engine"][name])
        assert LOUD_DB[0] <= drawn[-1] <= LOUD_DB[1]
        drawn_as_usual, made_loud = (_clip_of(seed, loud=loud) for loud in (False, True))
        assert made_loud[2]["symptoms"] == [name] and drawn_as_usual[2]["symptoms"] != [name]
    assert len(set(drawn)) == 3
    assert len({_loud_symptom(seed)[0] for seed in range(40)}) == len(LOUD_SHARES)


def test_the_training_learns_from_the_loud_clips(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    seen: list[tuple[bool, str]] = []

    def noted(cases: Any, **more: Any) -> Any:
        seen.extend((case.loud, case.bay) for case in cases if case.told)
        return choose_on_cases(cases, **more)

    monkeypatch.setattr("audiodiag.classifier.speed_training.choose_on_cases", noted)
    train_speed(range(100_000, 100_002), out=tmp_path, keep_comb=True)
    bays = [BAYS[seed % 3] for seed in (100_000, 100_001, 1_400_000)]
    assert seen == list(zip([False, False, True], bays, strict=True))


def test_loud_clips_and_those_played_faster_count_less() -> None:
    weights: CombWeights = load_comb_weights()
    usual, loud = (_cases_of((1_400_001, is_loud, weights)) for is_loud in (False, True))
    assert [case.told for case in usual] == [case.told for case in loud] == [True, False]
    assert not usual[0].loud and loud[0].loud and usual[0].cylinders == loud[0].cylinders
    assert usual[0].faster == loud[0].faster == 1.0
    assert loud[0].weight == pytest.approx(LOUD_COUNTS * usual[0].weight)
    faster = _cases_of((100_008, False, weights))[0]
    assert faster.faster > 1.0
    alike = _cases_of((100_010, False, weights))[0]
    assert alike.cylinders == faster.cylinders and alike.faster == 1.0
    assert faster.weight == pytest.approx(FASTER_COUNTS * alike.weight)
