"""What phones, coders and places do to a clip makes no fault of a healthy engine and hides no loud one.

The disturbances are made here, not by the simulations that the model learnt from; which ones there are is
common practice, no published source. The demo clips are simulated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, istft, sosfilt, stft

from audiodiag.analysis import Analysis, analyse
from audiodiag.clip import read_clip
from audiodiag.records import FloatArray
from tests.symptoms.bays import with_holes

DEMOS = Path(__file__).parents[2] / "recordings_demo"
FAULTLESS = 0.4

Change = Callable[[FloatArray, int, np.random.Generator], FloatArray]


def rms(sound: FloatArray) -> float:
    return float(np.sqrt(np.mean(sound**2)))


def below(sound: FloatArray, rate: int, top_hz: float, order: int = 2) -> FloatArray:
    return np.asarray(sosfilt(butter(order, top_hz, fs=rate, output="sos"), sound))


def holes(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    return with_holes(x, rate)


def noise_suppressed(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    _, _, lines = stft(x, rate, nperseg=512, noverlap=384)
    power = np.abs(lines) ** 2
    floor = 1.5 * np.quantile(power, 0.2, axis=1, keepdims=True)
    gain = np.sqrt(np.clip(1.0 - floor / np.maximum(power, 1e-20), 0.016, 1.0))
    return np.asarray(istft(lines * gain, rate, nperseg=512, noverlap=384)[1][: len(x)])


def gain_controlled(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    t = np.arange(len(x)) / rate
    db = 4.0 * np.sin(2 * np.pi * t / 3.1) + 3.0 * np.sign(np.sin(2 * np.pi * t / 4.7))
    width = rate // 5
    return x * np.convolve(10.0 ** (db / 20.0), np.ones(width) / width, "same")


def clipped(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    top = np.quantile(np.abs(x), 0.97)
    return np.clip(x, -top, top)


def wind(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    gusts = np.repeat(np.maximum(rng.standard_normal(len(x) // rate + 2), 0.0), rate)[: len(x)]
    rumble = below(rng.standard_normal(len(x)), rate, 200.0) * below(gusts, rate, 1.0)
    return x + rumble * 1.5 * rms(x) / rms(rumble)


def hum(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    t = np.arange(len(x)) / rate
    tones = (0.5 / k * np.sin(2 * np.pi * 50.0 * k * t) for k in (1, 2, 3))
    return x + rms(x) * np.sum(list(tones), axis=0)


def packets_lost(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    y = x.copy()
    for start in rng.integers(0, len(x) - rate // 50, 3 * len(x) // rate):
        y[start : start + rate // 50] = 0.0
    return y


def birds(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    y, t = x.copy(), np.arange(int(0.12 * rate)) / rate
    for start in rng.integers(0, len(x) - len(t), 12):
        pitch_hz = 3500.0 + rng.uniform(-800.0, 1500.0) + 6000.0 * t * rng.choice([-1.0, 1.0])
        y[start : start + len(t)] += 0.7 * rms(x) * np.sin(2 * np.pi * pitch_hz * t) * np.hanning(len(t))
    return y


def taps(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    y, count = x.copy(), int(0.03 * rate)
    for start in rng.integers(0, len(x) - count, 8):
        fading = np.exp(-np.arange(count) / (0.004 * rate))
        y[start : start + count] += 8.0 * rms(x) * rng.standard_normal(count) * fading
    return y


def telephone(x: FloatArray, rate: int, rng: np.random.Generator) -> FloatArray:
    return below(x, rate, 3400.0, 6)


CHANGES: tuple[Change, ...] = (
    holes,
    noise_suppressed,
    gain_controlled,
    clipped,
    wind,
    hum,
    packets_lost,
    birds,
    taps,
    telephone,
)


def disturbed(name: str, change: Change) -> Analysis:
    clip = read_clip(DEMOS / name)
    x = change(np.asarray(clip.samples, dtype=float), clip.sample_rate_hz, np.random.default_rng(5))
    x *= min(1.0, 0.9 / np.abs(x).max())
    return analyse(replace(clip, samples=x.astype(np.float32), other_channels=None, sha256=change.__name__))


@pytest.mark.parametrize("change", CHANGES)
def test_a_healthy_engine_stays_healthy(change: Change) -> None:
    found = disturbed("01_healthy.m4a", change)
    assert found.verdict.kind == "normal"
    assert max(symptom.probability for symptom in found.symptoms) < FAULTLESS


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize(
    ("name", "symptom"), [("08_bearing_growl.m4a", "bearing_growl"), ("05_belt_squeal.mp3", "belt_squeal")]
)
def test_a_loud_sound_is_heard_all_the_same(name: str, symptom: str, change: Change) -> None:
    found = disturbed(name, change)
    heard = {each.name for each in found.symptoms if each.probability >= 0.5}
    assert found.verdict.kind == "symptoms"
    assert heard == {symptom}
