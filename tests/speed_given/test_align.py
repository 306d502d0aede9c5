from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from audiodiag.errors import SpeedError
from audiodiag.speed.align import align_speeds


def course(seed: int):
    """A speed that wanders by 3 % over a second or so, as a function of seconds from -100 s on."""
    wander = gaussian_filter1d(np.random.default_rng(seed).standard_normal(9000), 8)
    wander /= wander.std()
    at = np.arange(9000) * 0.1 - 100.0
    return lambda time_s: 800.0 * np.exp(0.03 * np.interp(time_s, at, wander))


def recorded(seed, *, offset_s, drift_ppm=0.0, seconds=30.0, ratio=1.0):
    """Speed by ear (0.3 % of slow error) and by pulses (0.05 %) of the same engine."""
    speed, rng = course(seed), np.random.default_rng(seed + 50)
    clip_s = np.arange(0.0, seconds, 0.1)
    reference_s = np.arange(0.0, seconds + 15.0, 0.1)
    slow = gaussian_filter1d(rng.standard_normal(len(clip_s)), 2) * 2.6
    heard = ratio * speed(offset_s + clip_s * (1 + 1e-6 * drift_ppm)) * (1 + 0.003 * slow)
    pulses = speed(reference_s) * (1 + 0.0005 * rng.standard_normal(len(reference_s)))
    return clip_s, heard, reference_s, pulses


@pytest.mark.parametrize("offset_s", [-4.32, 0.0, 2.345, 13.9])
def test_known_offset_is_found_within_its_uncertainty(offset_s):
    found = align_speeds(*recorded(1, offset_s=offset_s))
    assert found.offset_s == pytest.approx(offset_s, abs=3 * found.offset_sd_s)
    assert found.offset_sd_s < 0.1
    assert found.quality > 0.8
    assert found.known


def test_offsets_are_off_by_about_their_uncertainty_and_no_more():
    deviations = []
    for seed in range(12):
        found = align_speeds(*recorded(seed, offset_s=3.0 + seed / 7))
        deviations.append((found.offset_s - 3.0 - seed / 7) / found.offset_sd_s)
    assert 0.15 < float(np.sqrt(np.mean(np.square(deviations)))) < 1.5


@pytest.mark.parametrize("drift_ppm", [-400.0, 150.0])
def test_known_drift_is_found_in_ten_minutes(drift_ppm):
    found = align_speeds(*recorded(3, offset_s=5.0, drift_ppm=drift_ppm, seconds=600.0))
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=2.5 * found.drift_sd_ppm)
    assert found.drift_sd_ppm < 80.0
    assert found.reference_time_s(500.0) == pytest.approx(5.0 + 500.0 * (1 + 1e-6 * drift_ppm), abs=0.05)


def test_a_short_clip_says_that_it_cannot_tell_the_drift():
    found = align_speeds(*recorded(4, offset_s=5.0, drift_ppm=150.0, seconds=15.0))
    assert found.drift_sd_ppm == pytest.approx(200.0, rel=0.02)
    assert abs(found.drift_ppm) < 40.0


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_a_speed_heard_at_half_or_double_serves_as_well(ratio):
    found = align_speeds(*recorded(5, offset_s=7.5, ratio=ratio))
    assert found.offset_s == pytest.approx(7.5, abs=0.1)
    assert found.level_ratio == pytest.approx(ratio, rel=0.01)


def test_gaps_are_left_out():
    clip_s, heard, reference_s, pulses = recorded(6, offset_s=4.0)
    heard[40:90] = np.nan
    pulses[200:230] = np.nan
    found = align_speeds(clip_s, heard, reference_s, pulses)
    assert found.offset_s == pytest.approx(4.0, abs=0.1)
    assert found.overlap_s < 25.0


def test_curves_of_two_engines_get_no_good_mark():
    clip_s, heard, _, _ = recorded(7, offset_s=4.0)
    _, _, reference_s, pulses = recorded(8, offset_s=4.0)
    assert align_speeds(clip_s, heard, reference_s, pulses).quality < 0.5


def test_a_steady_idle_gives_nothing_to_compare():
    clip_s, heard, reference_s, _ = recorded(9, offset_s=4.0)
    found = align_speeds(clip_s, heard, reference_s, np.full(len(reference_s), 780.0))
    assert not found.known
    assert np.isnan(found.offset_s)
    assert "hardly moves" in found.text
    assert "reference" in found.text


def test_too_little_is_refused_in_words():
    with pytest.raises(SpeedError, match="too little of the speed of the clip"):
        align_speeds([0, 1, 2], [800, 810, 800], np.arange(0, 20, 0.1), np.full(200, 800.0))
    with pytest.raises(SpeedError, match="no curve over time"):
        align_speeds([0, 1, 0.5], [800, 810, 800], [0, 1], [800, 800])
