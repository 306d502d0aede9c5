"""Simulated clips: a symptom that was put in measures higher than the same bay without it."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from audiodiag.records import Clip, Quality, SpeedTrace
from audiodiag.simulation import BaySettings, simulate
from audiodiag.symptoms import Measurements, measure_all


@functools.cache
def measured(symptom: str | None) -> Measurements:
    """A calm simulated bay, once without and once with a clear symptom, measured at its true speed."""
    settings = BaySettings(
        duration_s=10.0,
        symptoms=(symptom,) if symptom else (),
        levels_db={symptom: 0.0} if symptom else None,
        codec="wav",
        sample_rate_hz=32000,
        disturbances=(),
        accessories=(),
        cylinders=4,
        pulley_ratio=1.23,
        vanes=10,
        belt_order=0.31,
        mode="idle",
    )
    clip = simulate(11, settings=settings)
    time, rpm = np.array(clip.truth["time_s"]), np.array(clip.truth["rpm"])
    speed = SpeedTrace("acoustic", 0.9, time, rpm, 0.99 * rpm, 1.01 * rpm, np.ones(len(time)), 4, "heard")
    heard = Clip(clip.samples, clip.sample_rate_hz, "simulated", "", "pcm")
    return measure_all(heard, Quality(True, (), (40.0, clip.sample_rate_hz / 2)), speed)


@pytest.mark.parametrize(
    ("symptom", "name", "least_more"),
    [
        ("pump_whine", "whine_comb_db", 2.0),
        ("cavitation_groan", "groan_beat_db", 2.0),
        ("cavitation_groan", "groan_roughness", 0.1),
        ("cavitation_groan", "groan_swing_db", 0.7),
        ("belt_squeal", "squeal_prominence_db", 2.0),
        ("belt_chirp", "chirp_belt_comb_db", 2.0),
        ("relief_hiss", "hiss_rise_db", 2.0),
        ("bearing_growl", "growl_comb_db", 2.0),
    ],
)
def test_a_simulated_symptom_measures_higher_than_the_bay_without_it(
    symptom: str, name: str, least_more: float
) -> None:
    without, present = measured(None).values[name], measured(symptom).values[name]
    assert present > without + least_more, f"{name}: without {without:.2f}, with {present:.2f}"


def test_the_simulated_pump_is_found_at_its_order() -> None:
    assert measured("pump_whine").values["whine_order"] == pytest.approx(12.3, abs=0.05)
    assert measured("cavitation_groan").values["groan_beat_ratio"] == pytest.approx(1.23, abs=0.03)
