"""What the verdict makes of sounds that the classifier claims, on clips where no engine turns."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

import numpy as np
import pytest

from audiodiag.analysis import analyse
from audiodiag.classifier.store import Prediction, SymptomPrediction
from audiodiag.classifier.strange import Strangeness
from audiodiag.records import SYMPTOMS, Clip


def claiming(**sure: float) -> SimpleNamespace:
    """A classifier that finds every clip ordinary and claims these sounds."""

    def predict(values: Mapping[str, float]) -> Prediction:
        said = {n: SymptomPrediction(n, sure.get(n, 0.02), "either", (), ()) for n in SYMPTOMS}
        return Prediction(said, Strangeness(1.0, 0.5, 0.95, ()), ())

    return SimpleNamespace(predict=predict, shares=dict.fromkeys(SYMPTOMS, 0.15))


@pytest.fixture(scope="module")
def rush() -> Clip:
    """Noise that holds no engine."""
    noise = 0.1 * np.random.default_rng(3).standard_normal(8 * 32000)
    return Clip(noise.astype(np.float32), 32000, "noise", "", "pcm")


@pytest.mark.parametrize("name", ["pump_whine", "cavitation_groan", "bearing_growl"])
def test_no_pump_is_blamed_where_no_engine_can_be_followed(rush, name):
    found = analyse(rush, model=claiming(**{name: 0.8}))
    assert found.speed.confidence < 0.1
    assert found.verdict.kind == "cannot_tell"
    assert "no engine can be followed" in found.verdict.text
    assert found.causes == () and found.drive is None


def test_a_belt_is_heard_without_the_engine_and_with_a_stated_speed_the_pump_too(rush):
    assert analyse(rush, model=claiming(belt_chirp=0.8)).verdict.kind == "symptoms"
    both = analyse(rush, model=claiming(belt_chirp=0.8, cavitation_groan=0.7))
    assert both.verdict.kind == "symptoms" and both.drive is not None
    stated = analyse(rush, model=claiming(cavitation_groan=0.8), speed_rpm=800)
    assert stated.verdict.kind == "symptoms"
