"""The view over crank angle where the speed is known in part only, or the band holds no envelope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.records import Clip, FloatArray, Quality, SpeedTrace
from audiodiag.symptoms import build_scene, measure_all

RATE, SECONDS, RPM = 16000, 30.0, 800.0


def clip() -> Clip:
    rng = np.random.default_rng(1)
    turns = np.arange(int(RATE * SECONDS)) / RATE * RPM / 60.0
    sound = sum(np.cos(np.pi * k * turns + k * k) / (1 + 0.1 * k) for k in range(1, 30))
    return Clip(
        (0.02 * (sound + 0.3 * rng.standard_normal(len(turns)))).astype(np.float32), RATE, "a", "", "pcm"
    )


def speed(known: np.ndarray, time_s: FloatArray) -> SpeedTrace:
    rpm = np.where(known, RPM, np.nan)
    return SpeedTrace("acoustic", 0.9, time_s, rpm, rpm, rpm, np.where(known, 0.9, 0.0))


@pytest.mark.parametrize(("period_s", "heard_s"), [(100.0, 8.0), (11.0, 7.0)])
def test_a_speed_known_in_parts_shorter_than_the_longest_blocks_is_enough(
    period_s: float, heard_s: float
) -> None:
    time_s = np.arange(0.0, SECONDS, 0.05)
    quality = Quality(True, (), (20.0, 8000.0))
    found = build_scene(clip(), quality, speed(time_s % period_s < heard_s, time_s)).angle
    assert found is not None and 40.0 <= found.long.block_rev < 160.0
    whole = build_scene(clip(), quality, speed(time_s >= 0.0, time_s)).angle
    assert whole is not None and whole.long.block_rev == 160.0 and whole.short.block_rev == 40.0


def test_a_band_too_narrow_for_envelopes_leaves_them_out() -> None:
    time_s = np.arange(0.0, SECONDS, 0.05)
    known = speed(time_s >= 0.0, time_s)
    values = measure_all(clip(), Quality(True, (), (20.0, 600.0)), known).values
    assert np.isnan(values["groan_beat_db"]) and np.isnan(values["growl_comb_db"])
    assert np.isfinite(values["engine_comb_share"])
    none = replace(known, rpm=np.full(len(time_s), np.nan))
    assert np.isnan(measure_all(clip(), Quality(True, (), (20.0, 600.0)), none).values["engine_comb_share"])
