"""The demo folder is complete, small, labelled as simulated, and what its makers' table says."""

import json
from pathlib import Path

import av
import numpy as np
import pytest

from audiodiag.records import SYMPTOMS
from audiodiag.resources import shipped_folder
from audiodiag.simulation import through_codec
from audiodiag.simulation.bay import simulate, write_clip
from audiodiag.simulation.demo import DEMO_CLIPS, DemoClip, make_demo
from audiodiag.vehicle import read_vehicle

FOLDER = shipped_folder("recordings_demo")


def by_name(name: str) -> DemoClip:
    return next(clip for clip in DEMO_CLIPS if clip.name == name)


def truth_of(clip: DemoClip) -> dict:
    return json.loads((FOLDER / f"{clip.name}.truth.json").read_text(encoding="utf-8"))


def decoded(path: Path) -> tuple[np.ndarray, int, dict]:
    with av.open(str(path), "r") as container:
        stream = container.streams.audio[0]
        convert = av.AudioResampler("flt", "mono", stream.rate)
        pieces = [p.to_ndarray()[0] for f in container.decode(audio=0) for p in convert.resample(f)]
        return np.concatenate(pieces), stream.rate, {**container.metadata, **stream.metadata}


def test_folder_holds_exactly_the_demo_and_stays_small() -> None:
    wanted = {"README.md", "car.toml"}
    for clip in DEMO_CLIPS:
        wanted |= {f"{clip.name}.{clip.codec}", f"{clip.name}.truth.json"}
        if clip.csv:
            wanted.add(f"{clip.name}.phases.csv")
    assert {path.name for path in FOLDER.iterdir()} == wanted
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 6e6
    assert len(DEMO_CLIPS) >= 10


def test_every_symptom_a_healthy_car_and_the_phones_formats_are_shown() -> None:
    planted = {name for clip in DEMO_CLIPS for name in clip.levels_db}
    assert planted == set(SYMPTOMS)
    assert any(not clip.levels_db for clip in DEMO_CLIPS)
    assert {clip.codec for clip in DEMO_CLIPS} >= {"m4a", "opus", "mp3", "3gp"}
    assert all(12 <= clip.phases[-1][2] <= 20 for clip in DEMO_CLIPS)
    assert all(b - a <= 5 for clip in DEMO_CLIPS for name, a, b in clip.phases if name == "stop")


@pytest.mark.parametrize("clip", DEMO_CLIPS, ids=lambda clip: clip.name)
def test_labels_and_sound_match_the_table(clip: DemoClip) -> None:
    truth = truth_of(clip)
    assert truth["simulated"] is True
    assert set(truth["symptoms"]) == set(clip.levels_db)
    assert truth["level_db_re_engine"] == pytest.approx(clip.levels_db)
    assert [tuple(span) for span in truth["steering"]] == list(clip.phases)
    samples, rate, said = decoded(FOLDER / truth["file"])
    assert len(samples) / rate == pytest.approx(truth["duration_s"], abs=0.12)
    assert 0.05 < np.abs(samples).max() <= 1.001
    title = f"Simulated clip {clip.name}, seed {clip.seed}"
    assert title.encode() in (FOLDER / truth["file"]).read_bytes()
    if clip.codec != "3gp":  # whose title the decoder does not hand on
        assert said.get("title", said.get("TITLE")) == title


def test_readme_calls_every_clip_simulated_and_lists_it() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "all simulated" in text and "No recording in this folder is of a real car" in text
    for clip in DEMO_CLIPS:
        assert f"`{clip.name}.{clip.codec}`" in text


def test_car_file_is_the_car_of_the_truth() -> None:
    car = read_vehicle(FOLDER / "car.toml")
    truth = truth_of(DEMO_CLIPS[0])
    assert car.cylinders == truth["cylinders"] and car.vanes == truth["vanes"]
    assert car.pump_ratio == pytest.approx(truth["pulley_ratio"], abs=1e-3)
    assert car.belt_passes_per_crank_turn == pytest.approx(truth["belt_order"], abs=1e-3)


def test_the_command_makes_the_same_demo_again(tmp_path: Path) -> None:
    """One clip in full: truth word for word, sound as the codec leaves it."""
    clip = by_name("03_pump_whine")
    path = write_clip(tmp_path, clip.seed, clip.settings(), name=clip.name)
    again = json.loads((tmp_path / f"{clip.name}.truth.json").read_text(encoding="utf-8"))
    assert again == truth_of(clip)
    fresh, _, _ = decoded(path)
    shipped, _, _ = decoded(FOLDER / path.name)
    likeness = np.dot(fresh, shipped) / np.sqrt(np.dot(fresh, fresh) * np.dot(shipped, shipped))
    assert likeness > 0.98


def test_a_demo_folder_is_made_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("audiodiag.simulation.demo.DEMO_CLIPS", (by_name("12_whine_old_phone"),))
    (path,) = make_demo(tmp_path / "new")
    assert path.name == "12_whine_old_phone.3gp"
    assert {p.name for p in path.parent.iterdir()} == {
        "12_whine_old_phone.3gp",
        "12_whine_old_phone.truth.json",
        "README.md",
        "car.toml",
    }


def test_before_and_after_are_one_phone_and_one_car() -> None:
    """Without the planted sounds, both recordings have nearly the same spectrum."""
    spectra = []
    for name in ("09_before_fluid_change", "10_after_fluid_change"):
        clip = by_name(name)
        made = simulate(clip.seed, settings=clip.settings(), keep_parts=True)
        assert made.parts is not None
        engine = np.asarray(made.parts["engine"], float)
        frames = engine[: len(engine) // 4096 * 4096].reshape(-1, 4096)
        level = 10 * np.log10(np.mean(np.abs(np.fft.rfft(frames * np.hanning(4096))) ** 2, axis=0))
        spectra.append(level[20:1500])
    assert np.median(np.abs(spectra[0] - spectra[1])) < 2.0


def test_round_trip_in_memory_is_what_the_file_holds() -> None:
    clip = by_name("01_healthy")
    made = simulate(clip.seed, settings=clip.settings())
    shipped, rate, _ = decoded(FOLDER / f"{clip.name}.m4a")
    assert rate == made.sample_rate_hz
    n = min(len(shipped), len(made.samples))
    likeness = np.dot(shipped[:n], made.samples[:n]) / np.sqrt(
        np.dot(shipped[:n], shipped[:n]) * np.dot(made.samples[:n], made.samples[:n])
    )
    assert likeness > 0.95
    assert len(through_codec(made.samples, rate, "wav")) == len(made.samples)
