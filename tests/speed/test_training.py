"""Training of the speed room on a handful of simulated clips: it runs, repeats and is read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from audiodiag.classifier.speed_training import train_second, train_speed
from audiodiag.speed.comb import load_comb_weights
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
    assert weights.second is not None and weights.second.centre.shape == (len(SECOND_FEATURES),)
    base = folders[0] / "speed.json"
    again = load_comb_weights(train_second(range(100_003, 100_007), base=base, out=folders[1]))
    assert again.second is not None
    assert np.array_equal(again.chooser.centre, weights.chooser.centre)
    assert not np.array_equal(again.second.nets[0].direct, weights.second.nets[0].direct)
