"""Tones that glide together are followed without any engine speed; an engine's own lines are told apart."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiodiag.records import Clip, FloatArray, Quality, SpeedTrace
from audiodiag.symptoms import build_scene, pump_whine
from audiodiag.symptoms.gliding_tones import GlidingTones, follow_tones

RATE, SECONDS = 16000, 8.0
TIME_S = np.arange(int(RATE * SECONDS)) / RATE


def cycles(first_hz: float = 180.0, glide_hz_per_s: float = 6.0) -> FloatArray:
    return np.asarray(first_hz * TIME_S + 0.5 * glide_hz_per_s * TIME_S**2)


def tones(level_db: float = 0.0, *, waver: float = 0.0, seed: int = 3, **course: float) -> FloatArray:
    """A tone and two multiples, together of this power, dB; waver: share by which its pace is unsteady."""
    steps = np.random.default_rng(seed).standard_normal(len(TIME_S) // 200 + 2)
    unsteady = np.interp(np.arange(len(TIME_S)) / 200, np.arange(len(steps)), np.cumsum(steps))
    turned = cycles(**course) + waver * unsteady
    sound = sum(np.cos(2 * np.pi * k * turned + k) / k for k in (1, 2, 3))
    return np.asarray(10 ** (level_db / 20) * sound / np.sqrt(0.5 * (1 + 1 / 4 + 1 / 9)))


def noise(seed: int = 1) -> FloatArray:
    return np.random.default_rng(seed).standard_normal(len(TIME_S))


def of(sound: FloatArray, rate: int = RATE) -> GlidingTones:
    found = follow_tones(sound, rate)
    assert found is not None
    return found


def test_tones_that_glide_are_found_and_measured():
    found = of(tones(-6.0) + noise())
    assert found.clear_share > 0.95
    assert found.half_db < 3.0 and found.third_db < 3.0
    assert found.stray_percent < 0.2
    assert found.motion_db < 1.0
    # Between 0.3 and 5.5 times the tone there lies as much of the noise as of its band up to 8 kHz.
    beside = 5.2 * cycles()[-1] / SECONDS / (RATE / 2)
    power = 10 ** (-6.0 / 10)
    assert found.share_db == pytest.approx(10 * math.log10(power / (power + beside)), abs=1.0)


def test_noise_alone_holds_no_such_tones():
    found = of(noise())
    assert found.clear_share < 0.05
    assert found.share_db < -10.0


@pytest.mark.parametrize("glide", [-20.0, 0.0, 40.0])
def test_the_glide_itself_costs_nothing(glide):
    found = of(tones(-6.0, first_hz=300.0, glide_hz_per_s=glide) + noise())
    assert found.clear_share > 0.95 and found.stray_percent < 0.25


def test_an_engines_lines_lie_closer_and_show_between():
    """The comb of an idle whose fourth line is loudest: of half orders every one is there."""
    turned = cycles(45.0, 1.0)
    sound = sum((1.0 if k % 4 == 0 else 0.4) * np.cos(2 * np.pi * k * turned + k * k) for k in range(1, 41))
    assert max(of(sound + noise()).half_db, of(sound + noise()).third_db) > 8.0
    assert max(of(tones(3.0) + noise()).half_db, of(tones(3.0) + noise()).third_db) < 3.0


def test_a_tone_that_wavers_strays():
    steady, wavering = of(tones(0.0) + noise()), of(tones(0.0, waver=0.1) + noise())
    assert wavering.stray_percent > steady.stray_percent + 0.15


def test_a_tone_that_swells_moves():
    gate = np.interp(TIME_S, [0.0, 3.9, 4.1, 8.0], [0.1, 0.1, 1.0, 1.0])
    assert of(gate * tones(0.0) + 0.3 * noise()).motion_db > of(tones(0.0) + 0.3 * noise()).motion_db + 4.0


@pytest.mark.parametrize("gain", [1e-5, 1e4])
def test_gain_changes_nothing(gain):
    sound = tones(-3.0) + noise()
    plain, changed = of(sound), of(gain * sound)
    for one, other in zip(vars(plain).values(), vars(changed).values(), strict=True):
        assert other == pytest.approx(one, abs=0.02)


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 48000])
def test_the_rate_of_the_recording_changes_little(rate):
    from scipy.signal import resample_poly

    sound = tones(-3.0) + noise()
    other = of(resample_poly(sound, rate, RATE), rate)
    plain = of(sound)
    assert other.clear_share == pytest.approx(plain.clear_share, abs=0.05)
    assert other.share_db == pytest.approx(plain.share_db, abs=0.5)
    assert other.stray_percent == pytest.approx(plain.stray_percent, abs=0.05)


def test_silence_within_is_no_trouble_and_less_than_a_second_is_nothing():
    sound = tones(0.0) + noise()
    sound[len(sound) // 3 : len(sound) // 2] = 0.0
    assert all(math.isfinite(value) for value in vars(of(sound)).values())
    assert all(math.isfinite(value) for value in vars(of(sound[:RATE])).values())
    assert follow_tones(sound[: RATE - 100], RATE) is None


def test_a_long_clip_is_described_by_blocks_spread_over_all_of_it():
    short = tones(0.0, glide_hz_per_s=0.0, first_hz=1000.0)
    quiet = np.concatenate([short + 0.3 * noise(2), 0.1 * short + 0.3 * noise(3)])
    found = of(np.concatenate([quiet] * 3))
    assert found.motion_db > 6.0, "its softer half is seen"


def test_a_whine_is_measured_where_no_speed_is_known():
    none = np.zeros(0)
    clip = Clip((tones(-3.0) + noise()).astype(np.float32), RATE, "made up", "", "pcm")
    unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    scene = build_scene(clip, Quality(True, (), (20.0, 7800.0)), unknown)
    found = pump_whine.measure(scene)
    assert found.values["whine_gliding_share"] > 0.95
    assert math.isnan(found.values["whine_comb_db"]) and found.level_db is None
    assert any(each.measure == "whine_gliding_share" and "100 %" in each.text for each in found.evidence)
