"""Phases from the sound: stops from hiss only, with a confidence that never claims certainty."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.steering.inferred import infer_phases

TIME_S = np.arange(0.05, 12.0, 0.1)
PLATEAUS = ((TIME_S > 3) & (TIME_S < 5)) | ((TIME_S > 8) & (TIME_S < 9))


def test_each_plateau_becomes_a_stop_with_turning_before_it() -> None:
    found = infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.95)
    assert [s.phase for s in found.spans] == ["turning", "stop", "turning", "stop"]
    stops = [(s.start_s, s.end_s) for s in found.spans if s.phase == "stop"]
    assert stops == [pytest.approx((3.0, 5.0), abs=0.11), pytest.approx((8.0, 9.0), abs=0.11)]
    assert found.source == "inferred" and found.notes[0].code == "phases_inferred"


def test_confidence_follows_the_hiss_and_its_company_and_stays_below_certainty() -> None:
    alone = infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.7).confidence
    dips = infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.7, dip_percent=3.0 * PLATEAUS).confidence
    rises = infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.7, dip_percent=-3.0 * PLATEAUS).confidence
    assert rises < alone < dips
    sure = infer_phases(
        TIME_S, hiss=PLATEAUS, hiss_probability=1.0, dip_percent=3.0 * PLATEAUS, noise_db=9.0 * PLATEAUS
    )
    assert sure.confidence <= 0.9


@pytest.mark.parametrize(
    ("hiss", "probability"),
    [
        (PLATEAUS, 0.3),
        (PLATEAUS, float("nan")),
        (np.zeros(len(TIME_S)), 0.9),
        (np.ones(len(TIME_S)), 0.9),
        ((TIME_S > 3) & (TIME_S < 3.15), 0.9),
    ],
    ids=["improbable", "not a number", "absent", "all the time", "a blip"],
)
def test_what_the_clip_does_not_say_stays_unknown(hiss: np.ndarray, probability: float) -> None:
    found = infer_phases(TIME_S, hiss=hiss, hiss_probability=probability)
    assert found.source == "unknown" and not found.spans and found.confidence == 0.0


def test_unknown_speed_changes_nothing() -> None:
    unknown = np.full(len(TIME_S), np.nan)
    with_unknown = infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.8, dip_percent=unknown)
    assert with_unknown.confidence == infer_phases(TIME_S, hiss=PLATEAUS, hiss_probability=0.8).confidence
