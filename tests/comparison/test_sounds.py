"""Planted sounds of known level: how strong each symptom is measured to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.comparison.rise import rises_of
from audiodiag.comparison.sounds import common_thirds, strengths_of
from audiodiag.comparison.strengths import Masks, Strengths
from audiodiag.comparison.whine_order import common_order
from audiodiag.orders.drive import PumpDrive, PumpTone, find_drive
from audiodiag.records import Clip, Quality, SpeedTrace
from audiodiag.symptoms import Scene, build_scene

RATE, SECONDS, RPM = 32000, 12.0, 840.0
TIME_S = np.arange(int(RATE * SECONDS)) / RATE
TURNS = TIME_S * RPM / 60.0


def scene_of(sound: np.ndarray) -> Scene:
    """Prepare a sound at a steady speed."""
    at = np.arange(0.0, SECONDS, 0.1)
    rpm = np.full(len(at), RPM)
    speed = SpeedTrace("table", 0.95, at, rpm, rpm, rpm, np.ones(len(at)), cylinders=4)
    clip = Clip(sound.astype(np.float32), RATE, "planted (simulated)", "p", "pcm")
    return build_scene(clip, Quality(True, (), (20.0, 15000.0)), speed)


def measured(sound: np.ndarray, name: str, *, thirds: np.ndarray | None = None) -> Strengths:
    """Measure one symptom, in powers of the sound as it is and not of the clip's mean."""
    scene = scene_of(sound)
    everywhere = np.ones(len(scene.time_s), bool)
    masks = Masks(everywhere, ~everywhere, everywhere, False)
    gain = np.zeros(len(scene.time_s))
    found = strengths_of(scene, name, masks, None, gain, order=1.0, lines=None, thirds=thirds)
    power = float(np.mean((sound - sound.mean()) ** 2))
    return Strengths(found.hz, found.power * power, found.error * power)


def engine(seed: int = 1) -> np.ndarray:
    """Noise that ticks with every half turn, the same in each cycle."""
    noise = np.random.default_rng(seed).standard_normal(len(TIME_S))
    ticks = 1.0 + 3.0 * np.exp(-(((TURNS * 2.0) % 1.0 - 0.5) ** 2) / 0.005)
    return 0.05 * noise * ticks


def squealing(seconds: float, amplitude: float) -> np.ndarray:
    """A tone of 3.1 kHz for so long."""
    since = TIME_S - 4.0
    return amplitude * ((since >= 0.0) & (since < seconds)) * np.sin(2.0 * np.pi * 3100.0 * TIME_S)


def chirping(amplitude: float) -> np.ndarray:
    """Bursts of 30 ms around 5 kHz, one every 1/0.37 turns."""
    on = (TURNS * 0.37) % 1.0 < 0.030 * RPM / 60.0 * 0.37
    return amplitude * on * np.sin(2.0 * np.pi * 5000.0 * TIME_S)


def total(found: Strengths) -> float:
    """Power over all places, dB."""
    return float(10.0 * np.log10(np.nansum(found.power)))


def test_level_of_a_squeal_is_that_of_the_tone_however_long_it_lasts() -> None:
    levels = [total(measured(engine() + squealing(s, 0.4), "belt_squeal")) for s in (0.8, 2.0, 4.0)]
    assert levels == pytest.approx([10.0 * np.log10(0.5 * 0.4**2)] * 3, abs=1.0)
    half = total(measured(engine() + squealing(2.0, 0.2), "belt_squeal"))
    assert half - levels[1] == pytest.approx(-6.02, abs=0.5)


def test_another_tone_on_the_softer_side_does_not_tell_when_it_squeals() -> None:
    """A longer tone far away would spread the squeal over the time in which that one sounds."""
    other = 0.2 * (TIME_S > 5.5) * np.sin(2.0 * np.pi * 1300.0 * TIME_S)
    loud, soft = engine() + squealing(0.8, 0.4), engine() + squealing(0.8, 0.1) + other
    first = [measured(sound, "belt_squeal") for sound in (loud, soft)]
    thirds = common_thirds(*([one] for one in first))
    here = int(np.nanargmin(np.abs(first[0].hz - 3100.0)))
    assert thirds[here] and not thirds[np.abs(first[0].hz - 1300.0) < 200.0].any()
    assert (common_thirds(*([one] for one in first[::-1])) == thirds).all()
    again = [measured(sound, "belt_squeal", thirds=thirds) for sound in (loud, soft)]
    fell, fell_first = (10.0 * np.log10(b.power[here] / a.power[here]) for a, b in (again, first))
    assert fell == pytest.approx(-12.04, abs=1.0) and fell_first < -14.0


def test_chirp_grows_as_planted_and_ticks_of_the_engine_are_none() -> None:
    alone = measured(engine(), "belt_chirp")
    here = int(np.nanargmin(np.abs(alone.hz - 5000.0)))
    loud, soft = (measured(engine() + chirping(a), "belt_chirp") for a in (0.8, 0.4))
    assert alone.power[here] < 2.0 * alone.error[here]
    assert soft.power[here] > 20.0 * soft.error[here]
    assert 10.0 * np.log10(loud.power[here] / soft.power[here]) == pytest.approx(6.02, abs=0.7)


def drive(*tones: tuple[float, float]) -> PumpDrive:
    """A drive with these tones: order and probability."""
    return replace(find_drive(None), tones=tuple(PumpTone(o, 0.02, p) for o, p in tones))


def test_recordings_correct_each_other_about_the_order_of_the_whine() -> None:
    one, two = drive((12.0, 0.9), (11.83, 0.08)), drive((11.85, 0.8))
    found = common_order([one, two])
    assert found == common_order([two, one])
    assert found == pytest.approx(11.85, abs=0.01)
    odd = common_order([drive((16.92, 0.5), (16.32, 0.4)), drive((32.64, 0.9))])
    assert odd == pytest.approx(32.64) or odd == pytest.approx(16.32)


def test_the_louder_of_two_tones_is_the_pumps_where_one_side_names_each() -> None:
    """The pump's on the side before, and another part's on the side after, where the pump is quiet."""
    sides = [drive((12.9, 0.5), (11.86, 0.2))] * 3 + [drive((11.86, 0.6))] * 3
    level_db = {12.9: 0.0, 11.86: -8.0}
    assert common_order(sides) == pytest.approx(11.86)
    assert common_order(sides, lambda order: level_db[round(order, 2)]) == pytest.approx(12.9)
    # A loud tone that hardly anybody holds for the pump's does not win.
    rare = [drive((12.9, 0.9), (9.5, 0.02))] * 6
    assert common_order(rare, lambda order: 3.0 * (order < 10.0)) == pytest.approx(12.9)


def test_chirp_without_high_bands_is_unknown_and_no_error() -> None:
    scene = replace(scene_of(engine()), beat_hz=np.zeros(0), envelope=np.zeros((6000, 0), np.float32))
    everywhere = np.ones(len(scene.time_s), bool)
    masks = Masks(everywhere, ~everywhere, everywhere, False)
    gain = np.zeros(len(scene.time_s))
    found = strengths_of(scene, "belt_chirp", masks, None, gain, order=1.0, lines=None)
    assert not np.isfinite(found.power).any()


@pytest.mark.parametrize("gain_db", [0.0, 20.0])
def test_rise_is_that_of_the_sound_whatever_the_gain_and_only_where_the_steering_is_stated(
    gain_db: float,
) -> None:
    noise = np.random.default_rng(3).standard_normal(len(TIME_S)) * 10.0 ** (0.05 * gain_db)
    scene = scene_of(noise * np.where(TIME_S > 6.0, 2.0, 1.0))
    stop, calm = scene.time_s > 6.5, scene.time_s < 5.5
    found = rises_of(scene, Masks(stop, stop, calm, True))
    inside = (found.hz > 160.0) & (found.hz < 9000.0)
    assert 10.0 * np.log10(found.power[inside]) == pytest.approx(np.full(inside.sum(), 6.0), abs=1.0)
    assert np.isnan(found.power[found.hz < 140.0]).all()
    assert np.isnan(rises_of(scene, Masks(stop, stop, calm, False)).power).all()
