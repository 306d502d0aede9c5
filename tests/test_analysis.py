"""What the verdict makes of sounds that the classifier claims, on clips where no engine turns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from audiodiag.analysis import analyse
from audiodiag.classifier.store import Prediction, SymptomPrediction
from audiodiag.classifier.strange import Strangeness
from audiodiag.clip import read_clip
from audiodiag.records import SYMPTOMS, Clip, SpeedAlternative
from audiodiag.report.language import load_sentences
from audiodiag.resources import shipped_folder
from audiodiag.speed.given import speed_from_number


def claiming(*, engine: float = 0.95, **sure: float) -> SimpleNamespace:
    """A classifier that finds every clip ordinary, an engine bay so probably, and claims these sounds."""

    def predict(
        values: Mapping[str, float], *, others: Sequence[tuple[float, Mapping[str, float]]]
    ) -> Prediction:
        listened.append((values, others))
        said = {n: SymptomPrediction(n, sure.get(n, 0.02), "either", (), ()) for n in SYMPTOMS}
        return Prediction(said, Strangeness(1.0, 0.5, engine, ()), ())

    listened: list[tuple[Mapping[str, float], Sequence[tuple[float, Mapping[str, float]]]]] = []
    return SimpleNamespace(
        predict=predict, shares=dict.fromkeys(SYMPTOMS, 0.15), weighs_readings=True, listened=listened
    )


@pytest.fixture(scope="module")
def rush() -> Clip:
    """Noise that holds no engine."""
    noise = 0.1 * np.random.default_rng(3).standard_normal(8 * 32000)
    return Clip(noise.astype(np.float32), 32000, "noise", "", "pcm")


@pytest.mark.parametrize("name", ["pump_whine", "cavitation_groan", "bearing_growl"])
def test_no_pump_is_blamed_where_no_engine_can_be_followed(rush, name):
    found = analyse(rush, model=claiming(**{name: 0.8}))
    assert found.speed.confidence < 0.1
    assert found.verdict.kind == "cannot_tell"
    assert "no engine can be followed in this recording, and without an engine no pump turns" in (
        found.verdict.text
    )
    assert found.causes == () and found.drive is None


def test_a_belt_is_heard_without_the_engine_and_with_a_stated_speed_the_pump_too(rush):
    assert analyse(rush, model=claiming(belt_chirp=0.8)).verdict.kind == "symptoms"
    both = analyse(rush, model=claiming(belt_chirp=0.8, cavitation_groan=0.7))
    assert both.verdict.kind == "symptoms" and both.drive is not None
    stated = analyse(rush, model=claiming(cavitation_groan=0.8), speed_rpm=800)
    assert stated.verdict.kind == "symptoms"


def test_no_belt_is_blamed_where_neither_an_engine_is_followed_nor_an_engine_bay_is_sure(rush):
    unsure = claiming(engine=0.6, belt_squeal=0.8)
    found = analyse(rush, model=unsure)
    assert found.verdict.kind == "cannot_tell" and found.causes == ()
    assert "not sure that this is an engine bay (probability 60 %)" in found.verdict.text
    assert analyse(rush, model=unsure, speed_rpm=800).verdict.kind == "symptoms", "a stated speed counts"


@pytest.mark.parametrize(("engine", "kind"), [(0.498, "cannot_tell"), (0.5, "symptoms")])
def test_a_symptom_is_called_only_where_an_engine_bay_is_likelier_than_not(rush, engine, kind):
    found = analyse(rush, model=claiming(engine=engine, pump_whine=0.9, belt_squeal=0.8), speed_rpm=800)
    assert found.verdict.kind == kind
    if kind == "cannot_tell":
        assert found.causes == ()
        assert "a whine of the steering pump, but this is rather no engine bay (probability 49 %" in (
            found.verdict.text
        )
        german = load_sentences("de").tell(found.verdict.text).text
        assert "aber das ist eher kein Motorraum (Wahrscheinlichkeit 49 %" in german


def test_a_hiss_alone_in_what_is_hardly_an_engine_bay_is_nothing_to_tell_of(rush):
    found = analyse(rush, model=claiming(engine=0.4, relief_hiss=0.9), speed_rpm=800)
    assert found.verdict.kind == "cannot_tell" and found.causes == ()


@pytest.mark.parametrize(("engine", "kind"), [(0.5, "cannot_tell"), (0.56, "normal")])
def test_normal_is_said_only_where_bay_and_speed_are_sure_together(rush, engine, kind):
    found = analyse(rush, model=claiming(engine=engine), speed_rpm=800)
    assert found.speed.confidence == pytest.approx(0.94, abs=0.02)
    assert found.verdict.kind == kind
    if kind == "cannot_tell":
        assert "an engine bay (probability 50 %) at the right speed (9" in found.verdict.text
        german = load_sentences("de").tell(found.verdict.text).text
        assert "ein Motorraum ist (Wahrscheinlichkeit 50 %) und seine Drehzahl stimmt (9" in german


@pytest.mark.parametrize("tilt", [0.0, 1.0], ids=["white", "brown"])
def test_a_stated_speed_makes_no_engine_of_bare_noise(tilt):
    rate = 32000
    lines = np.fft.rfft(np.random.default_rng(3).standard_normal(8 * rate))
    hertz = np.maximum(np.fft.rfftfreq(8 * rate, 1.0 / rate), 20.0)
    noise = np.fft.irfft(lines * hertz**-tilt)
    clip = Clip((0.1 * noise / np.std(noise)).astype(np.float32), rate, "noise", "", "pcm")
    for stated in (None, 800.0):
        assert analyse(clip, speed_rpm=stated).verdict.kind == "not_an_engine_bay"


def test_a_rightly_stated_speed_makes_no_stranger_of_an_engine():
    demo = next(shipped_folder("recordings_demo").glob("01_healthy.m4a"))
    assert analyse(demo).verdict.kind == "normal"
    for near in (794.0, 830.0):
        stated = analyse(demo, speed_rpm=near)
        assert stated.verdict.kind == "normal"
        assert stated.speed.source == "acoustic" and stated.speed.confidence > 0.99
        assert [note.code for note in stated.speed.notes] == ["speed_confirmed"]
    wrong = analyse(demo, speed_rpm=1588.0)
    assert wrong.verdict.kind == "cannot_tell", (
        "twice the speed that is surely heard is no ground to judge on"
    )
    assert wrong.speed.median_rpm == 1588.0 and wrong.speed.confidence < 0.1
    assert "By ear the engine turns 79" in wrong.speed.notes[-1].text


def test_silence_in_a_clip_is_left_out_as_well_where_the_speed_is_stated():
    clip = read_clip(shipped_folder("recordings_demo") / "10_after_fluid_change.m4a")
    samples = np.array(clip.samples)
    samples[4 * clip.sample_rate_hz : 6 * clip.sample_rate_hz] = 0.0
    gap = replace(clip, samples=samples)
    heard, stated = analyse(gap), analyse(gap, speed_rpm=782.0)
    assert heard.verdict.kind == stated.verdict.kind == "normal"
    assert [note.code for note in stated.speed.notes] == ["speed_confirmed", "engine_starts_or_stops"]
    for name in ("pump_whine", "cavitation_groan"):
        assert stated.symptom(name).probability == pytest.approx(heard.symptom(name).probability, abs=0.05)


def test_the_symptoms_are_measured_at_other_likely_readings_of_the_speed_too(monkeypatch):
    order, rate = 11.3, 32000
    time_s = np.arange(8 * rate) / rate
    rng = np.random.default_rng(4)
    tone = 0.1 * np.cos(2 * np.pi * order * 800 / 60 * time_s) + 0.02 * rng.standard_normal(len(time_s))
    clip = Clip(tone.astype(np.float32), rate, "tone", "", "pcm")
    known = speed_from_number(800.0, clip.duration_s)
    twice = replace(
        known, source="acoustic", confidence=0.6, alternatives=(SpeedAlternative(0.5, 4, 0.3),), notes=()
    )
    model = claiming()
    for heard, count in ((known, 0), (twice, 1)):
        monkeypatch.setattr("audiodiag.analysis.speed_of_clip", lambda *_, trace=heard, **__: trace)
        monkeypatch.setattr("audiodiag.analysis.speed_by_ear", lambda *_, trace=heard, **__: trace)
        found = analyse(clip, model=model)
        values, others = model.listened[-1]
        assert values["whine_order"] == pytest.approx(order, abs=0.05)
        assert len(others) == count
        assert [note.code for note in found.speed.notes if note.code == "readings_weighed"] == count * [
            "readings_weighed"
        ]
        assert any("as at about 400 rpm as well" in note.text for note in found.speed.notes) == bool(count)
    probability, slow = others[0]
    assert probability == 0.3
    assert slow["whine_order"] == pytest.approx(2 * order, abs=0.1), (
        "at half the speed the order is twice as high"
    )


def test_the_ear_listens_once_where_a_stated_number_is_doubted(rush, monkeypatch):
    heard = []

    def hear(clip, *, vehicle):
        heard.append(clip)
        return replace(speed_from_number(800.0, clip.duration_s), source="acoustic", confidence=0.97)

    monkeypatch.setattr("audiodiag.analysis.speed_by_ear", hear)
    found = analyse(rush, speed_rpm=1600.0, model=claiming())
    assert len(heard) == 1
    assert found.speed.source != "acoustic"
