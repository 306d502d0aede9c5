"""Steps of single bands: stretches of noise that step up and down again, and what must not pass for one."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from audiodiag.symptoms import Measurements, measure_all
from audiodiag.symptoms.band_steps import BandSteps, find_steps
from audiodiag.symptoms.spectra import spans_of

from . import bays

HZ = 62.5 * 2.0 ** ((np.arange(24) + 0.5) / 3)
SPANS = ((3.0, 4.6), (7.2, 8.6))


def level(seed: int = 1, count: int = 240) -> np.ndarray:
    """Levels of third octaves every 0.05 s that waver as those of a bay do, dB."""
    rng = np.random.default_rng(seed)
    own, common = rng.standard_normal((count, len(HZ))), rng.standard_normal((count, 1))
    return 0.4 * own + 0.5 * np.convolve(common[:, 0], np.ones(10) / 10**0.5, "same")[:, None]


def found(table: np.ndarray) -> BandSteps:
    steps = find_steps(HZ, table)
    assert steps is not None
    return steps


@pytest.mark.parametrize(("low", "high"), [(1000, 2100), (2100, 4100), (4100, 8100), (1600, 8100)])
def test_a_stretch_is_found_in_its_own_band_and_time(low: float, high: float) -> None:
    table = level()
    inside = (low < HZ) & (high > HZ)
    for start, end in ((60, 92), (144, 172)):
        table[start:end, inside] += 5.0
    steps = found(table)
    share = np.mean(inside[(steps.band_hz[0] < HZ) & (steps.band_hz[1] > HZ)])
    assert share > 0.6
    assert 3.0 < steps.step_db < 6.5
    assert steps.clear > 3.0
    spans = spans_of(steps.sounding, 0.05, 0.3, 0.15)
    assert np.allclose(spans, ((3.0, 4.6), (7.2, 8.6)), atol=0.15)
    assert not (steps.on & steps.beside).any()


def test_a_stretch_at_the_end_of_the_clip_sounds_as_the_others_do() -> None:
    table = level()
    inside = (HZ > 2000) & (HZ < 6000)
    table[60:92, inside] += 5.0
    table[215:, inside] += 5.0
    spans = spans_of(found(table).sounding, 0.05, 0.3, 0.15)
    assert len(spans) == 2
    assert spans[1][0] == pytest.approx(10.75, abs=0.15)
    assert spans[1][1] == pytest.approx(12.0, abs=0.1)


def test_what_lifts_the_lows_too_is_worth_less() -> None:
    alone, pressed = level(), level()
    alone[60:92, HZ > 1300] += 5.0
    pressed[60:92] += 5.0
    assert found(pressed).low_db > 4.0
    assert found(pressed).worth_db < 0.85 * found(alone).worth_db


@pytest.mark.parametrize("kind", ["short", "only up", "slow", "rattling"])
def test_what_is_no_stretch_is_worth_little(kind: str) -> None:
    table, planted = level(), level()
    high = HZ > 1300
    planted[60:92, high] += 5.0
    if kind == "short":
        table[60:63, high] += 8.0
    elif kind == "only up":
        table[120:, high] += 5.0
    elif kind == "slow":
        table[:, high] += 2.5 - 2.5 * np.cos(2 * np.pi * np.arange(240) / 240)[:, None]
    else:
        table[60:92, high] += 5.0 + 5.0 * np.random.default_rng(4).standard_normal(32)[:, None]
    steps = find_steps(HZ, table)
    assert steps is None or steps.worth_db < 0.5 * found(planted).worth_db


@pytest.mark.parametrize("depth_db", [8.0, 30.0, 120.0])
def test_what_lies_between_two_drop_outs_is_no_stretch(depth_db: float) -> None:
    table, planted = level(), level()
    planted[60:92, HZ > 1300] += 5.0
    for gap in (slice(70, 76), slice(140, 148)):
        table[gap] -= depth_db
    steps = find_steps(HZ, table)
    assert steps is None or steps.worth_db < 0.5 * found(planted).worth_db
    assert steps is None or not steps.beside[70:76].any()


def test_a_stretch_is_as_clear_where_it_comes_back_again_and_again() -> None:
    once, often = level(count=480), level(count=480)
    inside = HZ > 1300
    once[60:92, inside] += 6.0
    for start in range(60, 420, 60):
        often[start : start + 32, inside] += 6.0
    assert found(often).clear > 0.6 * found(once).clear


def test_a_stretch_may_last_for_most_of_a_quarter_minute() -> None:
    table = level(count=480)
    table[100:360, HZ > 1300] += 6.0
    assert found(table).worth_db > 3.0


def test_too_little_gives_nothing() -> None:
    assert find_steps(HZ, level()[:30]) is None
    assert find_steps(HZ[:9], level()[:, :9]) is None
    assert find_steps(HZ, np.zeros((240, len(HZ)))) is None


@functools.cache
def measured(kind: str) -> Measurements:
    samples = bays.engine()
    if kind != "clean":
        samples = samples + 0.35 * _gated(
            bays.coloured(np.random.default_rng(3), len(samples), 2000.0, 4200.0)
        )
    if kind == "beside a tone":
        samples = samples + 0.3 * np.sin(2 * np.pi * 6200.0 * bays.moments())
    if kind == "tone alone":
        samples = bays.engine() + 0.3 * _gated(np.sin(2 * np.pi * 3000.0 * bays.moments()))
    return measure_all(bays.clip_of(samples), bays.quality(), bays.trace())


def _gated(sound: np.ndarray) -> np.ndarray:
    time_s = bays.moments()
    return sound * np.any([(time_s >= a) & (time_s < b) for a, b in SPANS], axis=0)


@pytest.mark.parametrize("kind", ["plain", "beside a tone"])
def test_an_octave_of_hiss_is_measured_also_beside_a_steady_tone(kind: str) -> None:
    clean, planted = measured("clean").values, measured(kind).values
    assert planted["hiss_band_merit_db"] > clean["hiss_band_merit_db"] + 2.0
    assert planted["hiss_band_noise_db"] > 4.0
    spans = measured(kind).symptoms["relief_hiss"].spans_s
    assert np.allclose(spans, SPANS, atol=0.2)


def test_a_tone_that_comes_and_goes_is_no_noise() -> None:
    tone, hiss = measured("tone alone").values, measured("plain").values
    assert tone["hiss_band_noise_db"] < 0.4 * hiss["hiss_band_noise_db"]
    assert tone["hiss_band_merit_db"] < 0.4 * hiss["hiss_band_merit_db"]
