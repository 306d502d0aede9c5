"""Gaps without sound are bridged, and only those that can be."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.analysis import analyse
from audiodiag.clip import assess_quality, bridged, read_clip
from audiodiag.clip.bridges import LONGEST_S, MOST_SHARE
from audiodiag.records import Clip
from audiodiag.resources import shipped_folder

RATE_HZ = 16_000


def _clip(samples) -> Clip:
    return Clip(
        samples=np.asarray(samples, np.float32), sample_rate_hz=RATE_HZ, name="made", sha256="", codec="wav"
    )


def _sound(seconds: float = 8.0) -> np.ndarray:
    """Harmonics of 13.4 turns a second in a little noise, the period of no whole number of samples."""
    at = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    tones = sum(np.cos(2 * np.pi * 13.4 * order * at + order**2) / order for order in range(1, 20))
    return 0.05 * tones + 0.001 * np.random.default_rng(2).normal(size=len(at))


def _with_gaps(samples: np.ndarray, gaps) -> np.ndarray:
    holed = samples.copy()
    for start_s, length_s in gaps:
        holed[int(start_s * RATE_HZ) : int((start_s + length_s) * RATE_HZ)] = 0.0
    return holed


@pytest.mark.parametrize(
    "gaps", [[(2.0, 0.05)], [(3.1, 0.41), (5.0, 0.2)], [(0.2, 0.3)], [(1.3, LONGEST_S - 0.01)]]
)
def test_what_repeats_goes_on_through_a_gap(gaps):
    sound = _sound()
    clip = _clip(_with_gaps(sound, gaps))
    whole = bridged(clip, assess_quality(clip))
    missed = np.sqrt(np.mean((whole.samples - sound) ** 2)) / np.std(sound)
    left = np.sqrt(np.mean((clip.samples - sound) ** 2)) / np.std(sound)
    assert missed < 0.4 * left
    assert np.abs(whole.samples[clip.samples == 0]).max() > 0.01
    untouched = np.ones(len(sound), bool)
    for start_s, length_s in gaps:
        untouched[int((start_s - 0.05) * RATE_HZ) : int((start_s + length_s + 0.05) * RATE_HZ)] = False
    assert np.array_equal(whole.samples[untouched], clip.samples[untouched])


@pytest.mark.parametrize(
    "gaps", [[], [(2.0, LONGEST_S + 0.1)], [(0.5 + k, 0.6) for k in range(7)]], ids=["none", "long", "many"]
)
def test_what_cannot_be_bridged_stays_as_it_is(gaps):
    clip = _clip(_with_gaps(_sound(), gaps))
    quality = assess_quality(clip)
    assert bridged(clip, quality) is clip
    assert len(gaps) < 2 or sum(length for _, length in gaps) > MOST_SHARE * 8
    told = " ".join(note.text for note in quality.notes)
    assert "bridged" not in told and ("A rhythm in the noise" in told) == bool(gaps)


def test_no_piece_is_taken_from_another_gap():
    rng = np.random.default_rng(4)
    noise = 0.1 * rng.normal(size=4 * RATE_HZ)
    clip = _clip(_with_gaps(noise, [(0.4, 0.3), (1.0, 0.35), (1.6, 0.02)]))
    whole = bridged(clip, assess_quality(clip))
    assert not [note for note in assess_quality(whole).notes if note.code == "dropouts"]


def test_quiet_before_an_engine_starts_is_no_gap_in_its_sound():
    sound = _sound()
    sound[: 2 * RATE_HZ] *= 0.003
    clip = _clip(_with_gaps(sound, [(1.0, 0.1), (5.0, 0.1)]))
    quality = assess_quality(clip)
    assert any(note.code == "dropouts" for note in quality.notes)
    assert bridged(clip, quality) is clip


def test_a_sound_full_of_gaps_stays_finite_and_no_louder():
    rng = np.random.default_rng(1)
    for seed in range(20):
        pieces = rng.random(200) < 0.85
        samples = rng.normal(size=8 * RATE_HZ) * np.repeat(pieces, 8 * RATE_HZ // 200) * 0.05
        clip = _clip(samples)
        whole = bridged(clip, assess_quality(clip))
        assert whole.samples.shape == clip.samples.shape and np.isfinite(whole.samples).all(), seed
        assert np.abs(whole.samples).max() <= 1.2 * np.abs(clip.samples).max()


def test_a_healthy_clip_with_gaps_of_digital_silence_is_still_healthy():
    clip = read_clip(shipped_folder("recordings_demo") / "01_healthy.m4a")
    holed = clip.samples.copy()
    for start_s in np.arange(1.0, 13.0, 0.9):
        holed[int(start_s * clip.sample_rate_hz) : int((start_s + 0.12) * clip.sample_rate_hz)] = 0.0
    found = analyse(
        Clip(samples=holed, sample_rate_hz=clip.sample_rate_hz, name="holed", sha256="", codec=clip.codec)
    )
    assert found.verdict.kind == "normal"
    (note,) = [note for note in found.quality.notes if note.code == "dropouts"]
    assert "14 times" in note.text and "bridged" in note.text and len(note.spans_s) == 14
