"""The turns of a pump in the envelopes of noise: planted ones are found, the engine's and chance are not."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import BEAT_SAMPLES_PER_REV
from audiodiag.symptoms.pump_beats import turn_beats


def turns(count: int) -> FloatArray:
    """Revolutions at each sample of so many."""
    return np.arange(count * BEAT_SAMPLES_PER_REV) / BEAT_SAMPLES_PER_REV


def noise(seed: int, count: int, bands: int = 3) -> FloatArray:
    """Envelopes of plain noise in several bands."""
    return np.random.default_rng(seed).standard_normal((count * BEAT_SAMPLES_PER_REV, bands))


def everywhere(bands: FloatArray) -> FloatArray:
    return np.ones(len(bands))


def beating(rev: FloatArray, ratio: float | FloatArray, depth: float = 0.2) -> FloatArray:
    """A beat at the pump's turns and, deeper, at twice those, by the turns of the pump."""
    pump = np.cumsum(np.broadcast_to(ratio, rev.shape)) / BEAT_SAMPLES_PER_REV
    return depth * (0.6 * np.sin(2 * np.pi * pump) + np.sin(4 * np.pi * pump + 1.0))[:, None]


@pytest.mark.parametrize("ratio", [0.91, 1.12, 1.287, 1.43, 1.62])
def test_a_pump_is_found_in_noise_far_louder_than_its_beat(ratio: float) -> None:
    rev = turns(150)
    found = turn_beats(beating(rev, ratio) + noise(3, 150), everywhere(rev))
    assert found is not None
    assert found.ratio == pytest.approx(ratio, abs=0.007)
    assert found.gap_db > 10.0


def test_noise_alone_has_no_pump() -> None:
    gaps = []
    for seed in range(8):
        bands = noise(seed, 150)
        found = turn_beats(bands, everywhere(bands))
        assert found is not None
        gaps.append(found.gap_db)
    assert np.median(gaps) < 1.2 and max(gaps) < 6.5


def test_the_engines_own_cycle_is_no_pump() -> None:
    rev = turns(150)
    firing = sum(np.sin(2 * np.pi * 0.5 * half * rev + half) for half in range(1, 20))
    alone, beside = noise(4, 150), noise(4, 150) + 0.3 * np.asarray(firing)[:, None]
    quiet, loud = turn_beats(alone, everywhere(rev)), turn_beats(beside, everywhere(rev))
    assert quiet is not None and loud is not None
    assert abs(loud.height_db - quiet.height_db) < 1.0 and loud.gap_db < 2.0


def test_a_belt_that_creeps_under_load_hides_no_pump() -> None:
    """0.6 % of creep with the load of lock to lock every 40 turns.

    How much belts creep: common practice, no published source.
    """
    rev = turns(150)
    creeping = 1.287 * (1.0 - 0.003 * (1.0 - np.cos(2 * np.pi * rev / 40.0)))
    found = turn_beats(beating(rev, creeping) + noise(5, 150), everywhere(rev))
    assert found is not None
    assert found.ratio == pytest.approx(1.283, abs=0.006) and found.gap_db > 1.0


def test_a_beat_in_the_loud_stretches_alone_stands_out_further_where_these_are_known() -> None:
    rev = turns(150)
    loud = ((rev % 50.0) < 12.0).astype(float)
    bands = beating(rev, 1.23, 0.5) * loud[:, None] + noise(6, 150)
    known, unknown = turn_beats(bands, loud), turn_beats(bands, everywhere(rev))
    assert known is not None and unknown is not None
    assert known.ratio == pytest.approx(1.23, abs=0.008)
    assert known.height_db > unknown.height_db


def test_a_stronger_signal_beats_no_further() -> None:
    bands = beating(turns(100), 1.2) + noise(7, 100)
    one, thrice = turn_beats(bands, everywhere(bands)), turn_beats(3.0 * bands, everywhere(bands))
    assert one is not None and thrice is not None
    assert thrice.height_db == pytest.approx(one.height_db, abs=1e-3) and thrice.ratio == one.ratio


def test_too_short_or_without_a_band_nothing_is_said() -> None:
    assert turn_beats(noise(1, 11), np.ones(11 * BEAT_SAMPLES_PER_REV)) is None
    assert turn_beats(np.zeros((100 * BEAT_SAMPLES_PER_REV, 0)), np.ones(100 * BEAT_SAMPLES_PER_REV)) is None


def test_silence_is_no_beat() -> None:
    silent = np.zeros((100 * BEAT_SAMPLES_PER_REV, 2))
    found = turn_beats(silent, everywhere(silent))
    assert found is not None and found.gap_db < 1.0


@pytest.mark.parametrize("vanes", [9, 13])
def test_a_long_clip_loses_no_vanes_between_two_of_the_ratios_searched(vanes: int) -> None:
    rev = turns(400)
    found = []
    for ratio in (1.234, 1.2345):
        vane_beat = 0.1 * np.sin(2 * np.pi * vanes * ratio * rev)[:, None]
        heard = turn_beats(vane_beat + beating(rev, ratio, 0.05) + noise(8, 400), everywhere(rev))
        assert heard is not None and heard.ratio == pytest.approx(ratio, abs=0.0011)
        found.append(heard.vane_db)
    assert found[1] == pytest.approx(found[0], abs=0.7)
