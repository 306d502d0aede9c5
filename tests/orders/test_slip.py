"""Slip is what was taken from the pump's turns, in combs built here and in a simulated clip."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.orders.drive import pump_angle
from audiodiag.orders.slip import measure_slip
from audiodiag.records import SpeedTrace
from audiodiag.simulation import BaySettings, simulate
from tests.orders.synthetic import PER_REV, REV_PER_S, engine_and_pump


def slipping(
    percent: float, start: float = 90.0, end: float = 130.0, revolutions: float = 220.0
) -> np.ndarray:
    turns = np.arange(int(revolutions * PER_REV)) / PER_REV
    return np.where((turns > start) & (turns < end), percent / 100.0, 0.0)


@pytest.mark.parametrize("percent", [1.5, 3.0, 6.0, 9.0])
@pytest.mark.parametrize(("ratio", "vanes"), [(1.237, 10), (1.213, 11)])
def test_the_slip_put_in_is_found(percent: float, ratio: float, vanes: int):
    sound = engine_and_pump(ratio, vanes, slip=slipping(percent))
    order = ratio * vanes * (1 if vanes % 2 == 0 else 2)
    asked = ((90.0 / REV_PER_S, 130.0 / REV_PER_S),)
    for found in (measure_slip(sound, order), measure_slip(sound, order, squeal_spans_s=asked)):
        assert found.greatest_percent == pytest.approx(percent, abs=0.4)
        assert len(found.spans) == 1
        assert found.spans[0].start_s == pytest.approx(90.0 / REV_PER_S, abs=0.4)
        assert found.spans[0].end_s == pytest.approx(130.0 / REV_PER_S, abs=0.4)
        assert found.reference_order == pytest.approx(order, rel=0.003)
        calm = found.time_s < 80.0 / REV_PER_S
        assert np.nanmedian(np.abs(found.slip_percent[calm])) < 0.4
        assert "its belt slips" in found.text


def test_through_the_engines_orders_the_tone_is_followed():
    """From order 12.37 the tone sags to 11.88, across the engine's order 12."""
    found = measure_slip(engine_and_pump(1.237, 10, slip=slipping(4.0)), 12.37)
    assert found.greatest_percent == pytest.approx(4.0, abs=0.4)


def test_no_slip_is_said_to_be_none():
    found = measure_slip(engine_and_pump(1.237, 10), 12.37)
    assert found.greatest_percent == 0.0
    assert "no slip" in found.text


def test_a_tone_that_is_not_there_tells_nothing():
    found = measure_slip(engine_and_pump(1.237, 10, tone=0.0, noise=1.0), 12.37, squeal_spans_s=((5.0, 5.2),))
    assert found.greatest_percent is None or found.greatest_sd_percent > 1.0


@pytest.mark.parametrize(("order", "revolutions"), [(60.0, 200.0), (0.5, 200.0), (12.0, 10.0)])
def test_what_cannot_be_followed_is_refused_in_words(order: float, revolutions: float):
    with pytest.raises(UsageError, match="the slip of the belt cannot be followed"):
        measure_slip(engine_and_pump(1.2, 10, revolutions=revolutions), order)


def test_the_slip_of_a_simulated_clip_is_found():
    clip = simulate(
        300510,
        settings=BaySettings(
            symptoms=("pump_whine", "belt_squeal"),
            levels_db={"pump_whine": 2.0, "belt_squeal": -4.0},
            variants={"pump_whine": "harmonics", "belt_squeal": "smooth"},
            pulley_ratio=1.23,
            vanes=10,
            mode="idle",
            duration_s=12.0,
            sample_rate_hz=16000,
            codec="wav",
            disturbances=(),
        ),
    )
    t, r = np.array(clip.truth["time_s"]), np.array(clip.truth["rpm"])
    angle = pump_angle(
        clip.samples, clip.sample_rate_hz, SpeedTrace("table", 1.0, t, r, r, r, np.ones(len(t)))
    )
    spans = tuple((a, b) for a, b in clip.truth["spans_s"]["belt_squeal"] if b - a > 0.8)
    found = measure_slip(angle, 12.3, squeal_spans_s=spans)
    assert clip.truth["slip_percent"] > 1.0
    assert found.greatest_percent == pytest.approx(clip.truth["slip_percent"], abs=1.0)
