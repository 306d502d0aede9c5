"""What swells over the calm: noise fills its bands evenly, a chirp few high ones, a steady sound none."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiodiag.orders.angle import crank_angle
from audiodiag.records import FloatArray
from audiodiag.symptoms import build_scene, measure_scene
from audiodiag.symptoms.swell import Swell, find_swell
from tests.symptoms import bays

CRANK = crank_angle(bays.moments(), bays.speed_rpm(bays.moments()))


def swell_of(sound: FloatArray, high_hz: float = 15000.0, rate: int = bays.RATE) -> Swell:
    found = find_swell(sound.astype(np.float32), rate, high_hz, CRANK)
    assert found is not None
    return found


def test_a_groan_fills_the_middle_evenly_and_a_squeal_does_not() -> None:
    groan, squeal = (swell_of(bays.engine() + sound) for sound in (bays.groan(), 8.0 * bays.squeal()))
    assert groan.evenness_middle > 0.9
    assert squeal.evenness_middle < groan.evenness_middle - 0.2


def test_a_chirp_is_high_and_narrow() -> None:
    chirp, groan = (swell_of(bays.engine() + sound) for sound in (8.0 * bays.chirp(), bays.groan()))
    assert chirp.evenness_upper < groan.evenness_upper - 0.2
    assert chirp.centre_octaves == pytest.approx(math.log2(5.2), abs=0.3)
    assert chirp.centre_octaves > groan.centre_octaves + 0.5


def test_what_lasts_lifts_the_calm_and_not_what_swells() -> None:
    swells = bays.groan(seed=8)
    highs = 0.5 * bays.coloured(np.random.default_rng(7), len(swells), 3000.0, 9000.0)
    without, with_it = swell_of(bays.engine() + swells), swell_of(bays.engine() + swells + highs)
    assert with_it.over_calm_octaves < without.over_calm_octaves - 0.5


def test_a_steady_sound_stands_hardly_over_its_calm() -> None:
    noise = bays.coloured(np.random.default_rng(3), int(bays.RATE * bays.SECONDS), 50.0, 15000.0)
    rough = noise * np.exp(0.8 * np.interp(bays.moments(), np.arange(41) * 0.25, np.tile([0, 1], 21)[:41]))
    assert -20.0 <= swell_of(noise).usual_db < -8.0 < swell_of(rough).usual_db


@pytest.mark.parametrize("gain", [0.01, 30.0])
def test_gain_changes_nothing(gain: float) -> None:
    sound = bays.engine() + bays.groan()
    one, other = swell_of(sound), swell_of(gain * sound)
    for name in Swell.__dataclass_fields__:
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-4), name


def test_a_narrow_recording_leaves_unknown_what_it_does_not_hold() -> None:
    found = swell_of(bays.engine() + bays.groan(), 1600.0)
    assert math.isnan(found.evenness_upper) and math.isnan(found.usual_db)
    assert found.evenness_middle > 0.5
    assert find_swell(bays.engine().astype(np.float32), bays.RATE, 100.0, CRANK) is None
    assert find_swell(bays.engine()[:2000].astype(np.float32), bays.RATE, 15000.0, CRANK) is None


@pytest.mark.parametrize("until", [40000, 128000])
def test_silence_is_no_calm(until: int) -> None:
    sound = bays.engine() + bays.groan()
    whole = swell_of(sound)
    sound[:until] = 0.0
    found = swell_of(sound)
    assert found.usual_db == pytest.approx(whole.usual_db, abs=6.0)
    assert found.evenness_middle == pytest.approx(whole.evenness_middle, abs=0.05)
    assert found.centre_octaves == pytest.approx(whole.centre_octaves, abs=0.3)


def test_where_nothing_swells_nothing_is_even() -> None:
    still = swell_of(np.cos(2 * np.pi * 1000.0 * bays.moments()))
    assert math.isnan(still.evenness_middle) and math.isnan(still.centre_octaves)
    assert still.usual_db == pytest.approx(-20.0)
    assert math.isnan(swell_of(np.zeros(64000)).evenness_middle)


def test_ticks_at_the_same_angles_of_each_cycle_are_calm() -> None:
    """Where the angle is not the engine's, they swell, high and narrow."""
    samples = (bays.engine() + 8.0 * bays.ticks()).astype(np.float32)
    elsewhere = crank_angle(bays.moments(), 0.77 * bays.speed_rpm(bays.moments()))
    angled, astray = (find_swell(samples, bays.RATE, 15000.0, crank) for crank in (CRANK, elsewhere))
    assert angled is not None and astray is not None
    assert angled.evenness_upper > astray.evenness_upper + 0.1


def test_the_scene_gives_each_symptom_its_own() -> None:
    sound = bays.clip_of(bays.engine() + bays.groan())
    scene = build_scene(sound, bays.quality(), bays.trace())
    assert scene.swell is not None
    values = measure_scene(scene).values
    assert values["groan_swell_evenness"] == scene.swell.evenness_middle
    assert values["groan_swell_usual_db"] == scene.swell.usual_db
    assert values["chirp_swell_evenness"] == scene.swell.evenness_upper
    assert values["chirp_swell_octaves"] == scene.swell.centre_octaves
    assert values["growl_swell_over_calm_octaves"] == scene.swell.over_calm_octaves
    unknown = build_scene(sound, bays.quality(), bays.trace(known=False))
    assert unknown.swell is None
    assert math.isnan(measure_scene(unknown).values["groan_swell_evenness"])
