"""An engine that starts or stops within the clip: no speed while it stands, judged while it runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audiodiag.analysis import analyse
from audiodiag.clip import assess_quality, read_clip
from audiodiag.comparison import compare_sides, watch_bleed
from audiodiag.records import Clip, Phases, PhaseSpan
from audiodiag.resources import shipped_folder
from audiodiag.simulation import simulate
from audiodiag.simulation.elsewhere import simulate_not_engine
from audiodiag.speed.acoustic import speed_by_ear
from audiodiag.speed.front import basebands
from audiodiag.speed.running import running_spans
from audiodiag.symptoms import while_running

BEFORE_S, AFTER_S = 4.0, 3.0


def within_street(samples, rate_hz: int, *, quieter_db: float, seed: int = 1):
    """Put a running engine between stretches in which only the surroundings are heard."""
    around = simulate_not_engine(seed, kind="wind", duration_s=25.0)
    count = int((BEFORE_S + AFTER_S) * rate_hz) + len(samples)
    at = np.arange(count) / rate_hz
    wind = np.interp(at % 24.0, np.arange(len(around.samples)) / around.sample_rate_hz, around.samples)
    loud = np.sqrt(np.mean(samples**2)) / np.sqrt(np.mean(wind**2))
    mixed = wind * loud * 10 ** (-quieter_db / 20)
    first = int(BEFORE_S * rate_hz)
    mixed[first : first + len(samples)] += samples
    return np.clip(mixed, -1, 1).astype(np.float32)


@pytest.fixture(scope="module")
def started() -> Clip:
    bay = simulate(900)
    sound = within_street(bay.samples, bay.sample_rate_hz, quieter_db=22.0)
    return Clip(sound, bay.sample_rate_hz, "simulated start", "", "pcm")


def test_speed_is_given_while_the_engine_runs_and_then_only(started):
    found = speed_by_ear(started)
    truth = simulate(900).truth
    end_s = started.duration_s - AFTER_S
    standing = (found.time_s < BEFORE_S - 0.5) | (found.time_s > end_s + 0.5)
    running = (found.time_s > BEFORE_S + 1.0) & (found.time_s < end_s - 0.5)
    true = np.interp(found.time_s[running] - BEFORE_S, truth["time_s"], truth["rpm"])
    assert np.isnan(found.rpm[standing]).all()
    assert not found.instant_confidence[standing].any()
    assert np.mean(np.abs(found.rpm[running] / true - 1) < 0.02) > 0.9
    note = next(note for note in found.notes if note.code == "engine_starts_or_stops")
    assert note.spans_s[0] == pytest.approx((BEFORE_S, end_s), abs=0.5)
    assert note.text.startswith("The engine runs from ")


def test_a_second_start_is_found(started):
    twice = replace(started, samples=np.concatenate([started.samples, started.samples]))
    found = speed_by_ear(twice)
    note = next(note for note in found.notes if note.code == "engine_starts_or_stops")
    assert len(note.spans_s) == 2
    half = int(started.duration_s * 10)
    for part in (found.rpm[:half], found.rpm[half:]):
        assert 0.4 < np.isfinite(part).mean() < 0.9


@pytest.mark.parametrize("seed", range(870_000, 870_016))
def test_an_engine_that_always_runs_is_not_cut(seed):
    bay = simulate(seed)
    bands = basebands(bay.samples, bay.sample_rate_hz)
    assert running_spans(bay.samples, bay.sample_rate_hz, bands) == (
        (0.0, len(bay.samples) / bay.sample_rate_hz),
    )


def test_starts_and_stops_of_drawn_engines_are_found():
    """Surroundings 20 dB and more below the engine (simulated, drawn): both ends within half a second."""
    found = 0
    for seed in range(871_000, 871_010):
        bay = simulate(seed)
        rate = bay.sample_rate_hz
        sound = within_street(bay.samples, rate, quieter_db=22.0, seed=seed)
        spans = running_spans(sound, rate, basebands(sound, rate))
        end_s = BEFORE_S + len(bay.samples) / rate
        found += len(spans) == 1 and spans[0] == pytest.approx((BEFORE_S, end_s), abs=0.5)
    assert found >= 8


def test_silence_before_and_after_does_not_change_what_is_heard():
    demo = read_clip(next(shipped_folder("recordings_demo").glob("*squeal*.m4a")))
    plain = analyse(demo)
    sound = within_street(demo.samples, demo.sample_rate_hz, quieter_db=30.0)
    later = analyse(replace(demo, samples=sound, other_channels=None))
    assert later.verdict.kind == plain.verdict.kind
    heard = [{s.name for s in each.symptoms if s.probability >= 0.5} for each in (plain, later)]
    assert heard[0] == heard[1]
    spans = [np.array(each.symptom("belt_squeal").spans_s) for each in (plain, later)]
    assert spans[1].min() >= BEFORE_S - 0.3
    assert (spans[1] - spans[0].min() - BEFORE_S).min() == pytest.approx(0.0, abs=0.5)


def test_silence_around_a_side_changes_neither_comparison_nor_bleed_watch():
    folder = shipped_folder("recordings_demo")
    before, after = (read_clip(folder / f"{name}_fluid_change.m4a") for name in ("09_before", "10_after"))
    silent = within_street(before.samples, before.sample_rate_hz, quieter_db=45.0)
    around = replace(before, samples=silent, other_channels=None, sha256="another")
    plain, later, other = (analyse(clip) for clip in (before, around, after))
    assert np.isnan(later.speed.rpm).any()
    asked = ("pump_whine", "cavitation_groan")  # the whine is only perhaps there, and compared when asked for
    one, two = (compare_sides([each], [other], symptoms=asked) for each in (plain, later))
    for name in asked:
        here, there = one.symptom(name), two.symptom(name)
        assert there.word == here.word
        assert there.change_db == pytest.approx(here.change_db, abs=1.5)
    assert two.before[0] is later
    cycles = [watch_bleed([each], cycle_s=4.0).cycles for each in (plain, later)]
    assert len(cycles[1]) == len(cycles[0])
    assert cycles[1][0].start_s == pytest.approx(BEFORE_S, abs=0.5)
    assert cycles[1][-1].end_s == pytest.approx(later.clip.duration_s - AFTER_S, abs=0.5)


def test_phases_are_cut_and_moved_with_the_clip(started):
    speed = speed_by_ear(started)
    marked = Phases("marked", (PhaseSpan("centre", 0.0, 2.0), PhaseSpan("stop", 3.0, 9.0)))
    part, cut, phases, start_s = while_running(started, speed, marked)
    assert start_s == pytest.approx(BEFORE_S, abs=0.5)
    assert part.duration_s == pytest.approx(len(cut.time_s) / 10, abs=0.11)
    assert [span.phase for span in phases.spans] == ["stop"]
    assert phases.spans[0].start_s == 0.0
    assert phases.spans[0].end_s == pytest.approx(9.0 - start_s)
    assert assess_quality(part).usable
