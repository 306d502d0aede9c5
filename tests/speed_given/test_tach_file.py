"""A pulse recording of its own, laid upon a simulated clip by the course of the engine speed."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from audiodiag.clip import assess_quality, read_clip
from audiodiag.simulation import BaySettings, simulate
from audiodiag.speed.chosen import speed_of_clip
from audiodiag.vehicle import Vehicle

EARLIER_S = 2.3
RATE_HZ = 32000


@pytest.fixture(scope="module")
def blips(tmp_path_factory):
    """A simulated clip with throttle blips, and its true speed."""
    folder = tmp_path_factory.mktemp("blips")
    made = simulate(
        41, settings=BaySettings(duration_s=12.0, mode="blips", symptoms=(), codec="wav", cylinders=4)
    )
    soundfile.write(folder / "clip.wav", made.samples, made.sample_rate_hz)
    return folder, made.truth


def pulse_file(path, time_s, rpm, *, per_rev=2.0, teeth_missing=0):
    """Pulses at these speeds from EARLIER_S before the clip to 3 s after it; with a gap where teeth lack."""
    at = np.arange(-EARLIER_S, time_s[-1] + 3.0, 1 / RATE_HZ)
    turns = np.cumsum(np.interp(at, time_s, rpm)) / 60.0 / RATE_HZ
    number = np.floor(turns * per_rev)
    edges = np.flatnonzero(np.diff(number)) + 1
    if teeth_missing:
        edges = edges[number[edges] % per_rev >= teeth_missing]
    samples = np.zeros(len(at), np.float32)
    for shift in range(4):
        samples[np.minimum(edges + shift, len(at) - 1)] = 0.8
    soundfile.write(path, samples, RATE_HZ)
    return path


def traced(folder, **given):
    clip = read_clip(folder / "clip.wav")
    return speed_of_clip(clip, assess_quality(clip), vehicle=Vehicle(cylinders=4), **given)


def test_pulses_that_started_earlier_are_laid_where_the_speed_fits(blips):
    folder, truth = blips
    pulses = pulse_file(folder / "pulses.wav", np.array(truth["time_s"]), np.array(truth["rpm"]))
    found = traced(folder, tach_file=pulses)
    true = np.interp(found.time_s, truth["time_s"], truth["rpm"])
    assert found.source == "tach"
    assert float(np.nanmedian(np.abs(found.rpm / true - 1))) < 0.004
    assert "tach_aligned" in {note.code for note in found.notes}
    assert len(found.time_s) == pytest.approx(120, abs=1)


def test_a_wrong_number_of_pulses_a_turn_is_noticed_by_ear(blips):
    folder, truth = blips
    pulses = pulse_file(folder / "double.wav", np.array(truth["time_s"]), np.array(truth["rpm"]))
    found = traced(folder, tach_file=pulses, pulses_per_rev=4.0)
    said = next(note.text for note in found.notes if note.code == "tach_against_ear")
    assert "2.0" in said
    assert "number of pulses" in said


def test_a_wheel_that_lacks_two_teeth_is_read_without_complaint(blips):
    folder, truth = blips
    time_s, rpm = np.array(truth["time_s"]), np.array(truth["rpm"])
    pulses = pulse_file(folder / "wheel.wav", time_s, rpm, per_rev=30.0, teeth_missing=2)
    found = traced(folder, tach_file=pulses, pulses_per_rev=30.0, missing_teeth=2)
    true = np.interp(found.time_s, time_s, rpm)
    assert float(np.nanmedian(np.abs(found.rpm / true - 1))) < 0.004
    assert not [n for n in found.notes if n.severity != "info"]


def test_a_speed_that_does_not_move_is_taken_to_have_started_together(blips):
    folder, truth = blips
    time_s = np.array(truth["time_s"])
    pulses = pulse_file(folder / "steady.wav", time_s, np.full(len(time_s), 850.0))
    found = traced(folder, tach_file=pulses)
    assert "tach_taken_together" in {note.code for note in found.notes}
    assert found.median_rpm == pytest.approx(850.0, rel=0.005)
