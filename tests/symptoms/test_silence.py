"""Where nothing sounds nothing is measured: the logarithm of nothing is missing, without a warning."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from audiodiag.symptoms.angle_view import TRACK_HOP_S
from audiodiag.symptoms.belt_chirp import _peakiness
from audiodiag.symptoms.relief_hiss import _beat_change
from audiodiag.symptoms.spectra import doublings

RATE_HZ = 1000.0


def test_peaks_of_silence_are_missing_and_those_of_sound_unchanged():
    assert math.isnan(_peakiness(np.zeros(1000)))
    rng = np.random.default_rng(1)
    power = rng.random(1000) ** 4
    centred = 0.5 * (power + np.concatenate([power[:1], power[:-1]]))
    assert _peakiness(power) == pytest.approx(np.log2(np.percentile(centred, 98.0) / np.median(centred)))


def test_plateau_of_silence_has_no_beat():
    rng = np.random.default_rng(2)
    noise = rng.random((4000, 2))
    count = round(4000 / RATE_HZ / TRACK_HOP_S)
    on = np.arange(count) < 0.4 * count
    half = (np.arange(4000) < 2000)[:, None]
    for envelope, known in ((noise, True), (np.where(half, 0.0, noise), False), (0.0 * noise, False)):
        scene = SimpleNamespace(
            beat_hz=np.array([2000.0, 3000.0]), envelope=envelope, envelope_rate_hz=RATE_HZ
        )
        assert math.isfinite(_beat_change(scene, on, ~on)) is known


def test_doublings_are_those_of_the_logarithm_to_the_bit():
    ratio = np.random.default_rng(3).random(1000) * 100.0 + 1e-300
    for each in (ratio, ratio.astype(np.float32), np.float32(ratio[0]), float(ratio[0])):
        assert np.array_equal(doublings(each), np.log2(each))
    assert np.isnan(doublings(np.array([0.0, -1.0, np.nan]))).all()
