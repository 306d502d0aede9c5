"""Rows of bursts: even and slim ones are a chirp's, without any engine speed; wide or uneven ones are not."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from audiodiag.records import Clip, FloatArray, Quality, SpeedTrace
from audiodiag.symptoms import build_scene, measure_all
from audiodiag.symptoms.burst_rows import BurstRow, _at_bursts, find_row, short_rises
from audiodiag.symptoms.scene import Scene

from . import bays

RATE, SECONDS = 32000, 9.0
TIME_S = np.arange(int(RATE * SECONDS)) / RATE


def unknown() -> SpeedTrace:
    none = np.zeros(0)
    return SpeedTrace("none", 0.0, none, none, none, none, none)


def scene_of(samples: FloatArray, rate: int = RATE, high_hz: float = 14000.0) -> Scene:
    clip = Clip(samples.astype(np.float32), rate, "made up", "", "pcm")
    return build_scene(clip, Quality(True, (), (20.0, min(high_hz, 0.48 * rate))), unknown())


def row_of(samples: FloatArray) -> BurstRow:
    row = find_row(scene_of(samples))
    assert row is not None
    return row


def noise(seed: int = 1) -> FloatArray:
    """A bay's noise: the lows louder than the highs."""
    rng = np.random.default_rng(seed)
    lines = np.fft.rfft(rng.standard_normal(len(TIME_S)))
    lines /= 1.0 + np.fft.rfftfreq(len(TIME_S), 1 / RATE) / 400.0
    sound = np.fft.irfft(lines, len(TIME_S))
    return np.asarray(0.1 * sound / np.sqrt(np.mean(sound**2)))


def bursts(at_s: FloatArray, sound: FloatArray, length_s: float = 0.05) -> FloatArray:
    """A sound let through in bursts that begin at the given instants."""
    gate = np.zeros(len(TIME_S))
    shape = np.hanning(int(length_s * RATE))
    for start in (np.asarray(at_s) * RATE).astype(int):
        part = gate[start : start + len(shape)]
        part += shape[: len(part)]
    return np.asarray(sound * gate)


def slim(hz: float = 5600.0) -> FloatArray:
    return np.asarray(0.1 * np.sin(2 * np.pi * hz * TIME_S))


def even(pace_hz: float) -> FloatArray:
    return np.arange(0.1, SECONDS - 0.1, 1.0 / pace_hz)


@functools.cache
def plain() -> BurstRow:
    return row_of(noise())


@pytest.mark.parametrize("pace_hz", [2.1, 4.3, 7.9, 11.0])
def test_an_even_row_of_slim_bursts_stands_out_and_lifts_no_lows(pace_hz: float) -> None:
    row = row_of(noise() + bursts(even(pace_hz), slim()))
    assert row.comb_db > plain().comb_db + 6.0
    assert abs(row.low_rise_db) < 0.7
    assert row.spread < 0.35
    assert len(row.bursts(5.0)[0]) == pytest.approx(len(even(pace_hz)), abs=2)
    assert np.allclose(row.bursts(5.0)[0][:5], even(pace_hz)[:5], atol=0.03)


def test_a_row_whose_pace_rises_is_found_as_well() -> None:
    turns = 4.0 * TIME_S + 0.25 * TIME_S**2  # 4 to 8.5 a second
    at_s = np.interp(np.arange(0.5, turns[-1]), turns, TIME_S)
    row = row_of(noise() + bursts(at_s, slim()))
    assert row.comb_db > plain().comb_db + 5.0
    assert row.spread < 0.35


def test_knocks_reach_over_all_bands_down_to_the_lows() -> None:
    row = row_of(noise() + bursts(even(4.3), 6.0 * noise(2)))
    assert row.comb_db > plain().comb_db + 6.0
    assert row.low_rise_db > 4.0
    assert row.spread > 0.7


def test_bursts_at_no_even_pace_make_no_row() -> None:
    at_s = np.sort(np.random.default_rng(5).uniform(0.1, SECONDS - 0.2, 40))
    uneven, row = (row_of(noise() + bursts(at, slim())) for at in (at_s, even(4.3)))
    assert uneven.comb_db < row.comb_db - 6.0


def test_a_chirp_is_chosen_beside_louder_knocks_of_another_pace() -> None:
    lines = np.fft.rfft(4.0 * noise(2))
    lines[np.fft.rfftfreq(len(TIME_S), 1 / RATE) > 4000.0] = 0.0
    knocks = bursts(even(6.1), np.fft.irfft(lines, len(TIME_S)))
    row = row_of(noise() + knocks + bursts(even(3.7) + 0.07, 2.0 * slim(9000.0)))
    gaps = np.diff(row.bursts(5.0)[0])
    assert np.median(gaps) == pytest.approx(1 / 3.7, abs=0.02)
    assert row.spread < 0.6


def test_a_chirp_is_chosen_beside_louder_knocks_that_reach_into_the_highs() -> None:
    """The knocks are evener and louder in every band, but the lows beat with them."""
    knocks = bursts(even(6.1), 12.0 * noise(2))
    late = even(3.7)[12:] + 0.07
    row = row_of(noise() + knocks + bursts(late, 1.2 * slim(9000.0)))
    plain_knocks = row_of(noise() + knocks)
    assert row.spread < plain_knocks.spread - 0.1
    assert row.low_rise_db < plain_knocks.low_rise_db - 1.0


def test_rises_at_bursts_are_means_over_bands_and_instants() -> None:
    wide = np.zeros((100, 4))
    starts, ends = np.array([10.0, 40.0, 70.0]), np.array([14.0, 44.0, 74.0])
    for start, end in zip(starts.astype(int), ends.astype(int), strict=True):
        wide[start : end + 1] = (1.0, 2.0, -3.0, 8.0)
    low_rise_db, spread = _at_bursts(wide, np.array([0, 1]), starts, ends)
    assert low_rise_db == pytest.approx(1.5)
    assert spread == pytest.approx((1.0 + 2.0 + 8.0) / 4 / 8.0), "what falls counts nothing"
    faint = _at_bursts(0.02 * wide, np.array([0, 1]), starts, ends)
    assert faint[1] == pytest.approx(0.02 * 11.0 / 4 / 0.5)
    assert all(math.isnan(each) for each in _at_bursts(wide, np.array([0]), starts[:2], ends[:2]))
    always = _at_bursts(wide, np.array([0]), np.array([0.0, 30.0, 60.0]), np.array([40.0, 70.0, 99.0]))
    assert all(math.isnan(each) for each in always), "nothing lies between"


def test_a_row_in_the_better_half_of_the_windows_counts_in_full_and_one_in_a_single_window_does_not() -> None:
    one, half, whole = (row_of(noise() + bursts(even(4.3)[:count], slim())) for count in (13, 27, 40))
    assert one.comb_db < half.comb_db - 3.0
    assert half.comb_db > whole.comb_db - 1.5


def test_plain_noise_has_no_bursts_to_be_slim() -> None:
    assert len(plain().bursts(5.0)[0]) < 3
    assert math.isnan(plain().low_rise_db) and math.isnan(plain().spread)


@pytest.mark.parametrize("gain_db", [-40.0, 30.0])
def test_gain_changes_nothing(gain_db: float) -> None:
    sound = noise() + bursts(even(4.3), slim())
    row, louder = row_of(sound), row_of(sound * 10 ** (gain_db / 20))
    assert louder.comb_db == pytest.approx(row.comb_db, abs=0.01)
    assert louder.spread == pytest.approx(row.spread, abs=0.001)


def test_without_high_bands_there_is_no_row_and_without_lows_no_rise_of_them() -> None:
    sound = noise() + bursts(even(4.3), slim())
    assert find_row(scene_of(sound[::8], 4000)) is None
    lines = np.fft.rfft(sound)
    lines[np.fft.rfftfreq(len(sound), 1 / RATE) < 1300.0] = 0.0
    clip = Clip(np.fft.irfft(lines, len(sound)).astype(np.float32), RATE, "no lows", "", "pcm")
    row = find_row(build_scene(clip, Quality(True, (), (2600.0, 14000.0)), unknown()))
    assert row is not None
    assert row.comb_db > 12.0
    assert math.isnan(row.low_rise_db)


@pytest.mark.parametrize("seconds", [1.0, 1.7, 3.1])
def test_a_short_clip_gives_numbers_or_none(seconds: float) -> None:
    sound = (noise() + bursts(even(6.0), slim()))[: int(seconds * RATE)]
    row = find_row(scene_of(sound))
    assert row is not None
    assert math.isfinite(row.comb_db)


def test_short_rises_are_neither_clicks_nor_long() -> None:
    high = np.zeros(500, bool)
    high[10:12], high[50:60], high[100:160], high[490:] = True, True, True, True  # 8, 40, 240, 40 ms
    starts, ends = short_rises(high, 250.0)
    assert starts.tolist() == [50, 490] and ends.tolist() == [60, 500]


def test_measures_of_a_whole_clip_tell_chirps_from_ticks_and_knocks_without_a_speed() -> None:
    def of(sound: FloatArray) -> dict[str, float]:
        return dict(measure_all(bays.clip_of(sound), bays.quality(), unknown()).values)

    knock = bays.coloured(np.random.default_rng(3), len(bays.moments()), 100.0, 9000.0)
    gate = np.abs(bays.chirp(0.5)) > 0.05
    clean, chirps, knocks = (of(bays.engine() + more) for more in (0.0, bays.chirp(), 2.0 * gate * knock))
    assert (
        chirps["chirp_slim_row_db"] > max(clean["chirp_slim_row_db"], knocks["chirp_slim_row_db"], 1.0) + 3.0
    )
    assert chirps["chirp_row_low_rise_db"] < 1.0 < knocks["chirp_row_low_rise_db"] - 2.0
    assert math.isnan(chirps["chirp_slim_comb_db"])  # no order without a speed


def test_a_chirp_without_a_speed_is_timed_by_its_own_band() -> None:
    sound = bays.engine() + bays.chirp() * bays.stretch(3.0, 7.0)
    spans = measure_all(bays.clip_of(sound), bays.quality(), unknown()).symptoms["belt_chirp"].spans_s
    assert sum(end - start for start, end in spans[1:]) < 0.3
    assert spans[0] == pytest.approx((3.2, 6.8), abs=0.4)


def test_the_last_seconds_of_a_clip_are_looked_at_as_well() -> None:
    """A row of 2 s at the very end is seen wherever the clip ends."""
    for seconds in (4.4, 5.9, 7.4):
        count = int(seconds * RATE)
        at_s = np.arange(seconds - 2.0, seconds - 0.1, 0.2)
        found = row_of((noise() + bursts(at_s, slim()))[:count])
        assert len(found.bursts(5.0)[0]) >= 9, seconds
        assert found.comb_db > row_of(noise()[:count]).comb_db + 3.0, seconds
