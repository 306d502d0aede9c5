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
    """A tone and two multiples, together of this power, dB; waver: cycles by which it strays in 1/80 s."""
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


@pytest.mark.parametrize(
    ("first_hz", "glide"), [(300.0, -20.0), (300.0, 0.0), (300.0, 40.0), (1150.0, 0.0), (400.0, 95.0)]
)
def test_the_glide_itself_costs_nothing(first_hz, glide):
    found = of(tones(-6.0, first_hz=first_hz, glide_hz_per_s=glide) + noise())
    assert found.clear_share > 0.95 and found.stray_percent < 0.3


def test_a_tone_alone_is_found_as_well():
    found = of(np.sqrt(2.0) * np.sin(2 * np.pi * cycles(200.0, 3.0)) + noise())
    assert found.clear_share > 0.9
    assert found.share_db == pytest.approx(-0.6, abs=0.6), "nearly all there is that one tone"


@pytest.mark.parametrize(("place", "there"), [(1.5, "half_db"), (4 / 3, "third_db"), (5 / 3, "third_db")])
def test_a_line_between_is_seen_where_it_is(place, there):
    found = vars(of(tones(3.0) + 0.5 * np.cos(2 * np.pi * place * cycles()) + 0.5 * noise()))
    assert found[there] > 10.0
    assert found["half_db" if there == "third_db" else "third_db"] < 3.0


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


def test_the_level_is_that_of_the_tenth_of_the_time_in_which_they_stand_out_most():
    gate = np.where(TIME_S < 0.2 * SECONDS, 1.0, 0.03)
    loud, part = of(tones(0.0) + noise()), of(gate * tones(0.0) + noise())
    assert part.share_db == pytest.approx(loud.share_db, abs=1.0)


@pytest.mark.parametrize("gain", [1e-2, 1e4])
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


def test_silence_within_counts_for_nothing_and_less_than_a_second_is_nothing():
    sound = tones(0.0) + noise()
    plain, gated = of(sound), np.where((TIME_S % 2.0) < 0.9, 0.0, sound)
    found = of(gated)
    assert found.share_db == pytest.approx(plain.share_db, abs=1.0)
    assert found.motion_db < 8.0, "a block half silent is softer, a silent one does not count"
    for click_s in (0.0, 2.0, TIME_S[-1]):
        lone = vars(of(np.where(click_s == TIME_S, 1.0, 0.0)))
        assert lone["share_db"] <= 0.0 and all(math.isfinite(value) for value in lone.values())
    assert follow_tones(np.zeros(RATE * 3), RATE) is None
    for rate in (7999, 8000, 48000):
        assert follow_tones(sound[:rate], rate) is not None
        assert follow_tones(sound[: rate - 1], rate) is None


def test_a_long_clip_is_described_by_blocks_spread_over_all_of_it():
    tone = tones(0.0, glide_hz_per_s=0.0, first_hz=1000.0)
    loud = [tone + 0.3 * noise(seed) for seed in range(5)]
    soft = 0.03 * tone + 0.3 * noise(6)
    assert of(np.concatenate([*loud, soft])).motion_db > of(np.concatenate(loud)).motion_db + 5.0


def test_a_clip_that_touches_a_low_tone_once_needs_no_more_memory():
    """It is laid out for the blocks that are looked at alone: 140 MB, as a whole it would be 420."""
    import tracemalloc

    high = tones(0.0, glide_hz_per_s=0.0, first_hz=1200.0)
    low = tones(0.0, glide_hz_per_s=0.0, first_hz=104.0)
    clip = np.concatenate([high] * 16 + [low]).astype(np.float32)
    tracemalloc.start()
    try:
        assert of(clip).clear_share > 0.9
        assert tracemalloc.get_traced_memory()[1] < 250e6
    finally:
        tracemalloc.stop()


def test_a_whine_is_measured_where_no_speed_is_known():
    none = np.zeros(0)
    clip = Clip((tones(-3.0) + noise()).astype(np.float32), RATE, "made up", "", "pcm")
    unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    scene = build_scene(clip, Quality(True, (), (20.0, 7800.0)), unknown)
    found = pump_whine.measure(scene)
    assert scene.gliding is not None
    for name, field in (
        ("share", "clear_share"),
        ("level_db", "share_db"),
        ("motion_db", "motion_db"),
        ("stray_percent", "stray_percent"),
        ("half_db", "half_db"),
        ("third_db", "third_db"),
    ):
        assert found.values[f"whine_gliding_{name}"] == getattr(scene.gliding, field)
    assert found.values["whine_gliding_share"] > 0.95
    assert math.isnan(found.values["whine_comb_db"]) and found.level_db is None
    assert any(each.measure == "whine_gliding_share" and "100 %" in each.text for each in found.evidence)
