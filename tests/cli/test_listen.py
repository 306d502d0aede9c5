"""`audiodiag listen`: parts as files that add up to the clip."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from audiodiag.cli import main
from audiodiag.clip import read_clip
from audiodiag.errors import UsageError
from audiodiag.records import SpeedTrace, Verdict
from audiodiag.report import partsform
from audiodiag.report.listened import pump_sought
from audiodiag.report.partsform import odd_vanes_words
from audiodiag.resources import shipped_folder
from audiodiag.units import percent
from audiodiag.vehicle import Vehicle

DRIVE = ("--pump-ratio", "1.2", "--vanes", "10")


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("parts")
    demo = next(shipped_folder("recordings_demo").glob("*squeal*"))
    short = folder / "short_squeal.wav"
    samples, rate = soundfile.read(demo) if demo.suffix != ".m4a" else (read_clip(demo).samples, 48000)
    part = samples[: 6 * rate] if np.ndim(samples) == 1 else samples[: 6 * rate, 0]
    with soundfile.SoundFile(short, "w", rate, 1, "PCM_16") as file:
        file.title = "Simulated clip of a squeal"
        file.write(part)
    assert main(["listen", str(short), "--out", str(folder / "out"), "--rpm", "800", *DRIVE]) == 0
    return short, folder / "out"


@pytest.mark.parametrize(("ratio", "empty"), [("1.02", True), ("1.154", False)])
def test_a_stated_pump_that_is_not_there_is_told(ratio, empty, tmp_path, capsys):
    """The whine of this simulated clip lies at order 11.54, ten vanes at 1.154 turns."""
    clip = next(shipped_folder("recordings_demo").glob("03_pump_whine.m4a"))
    arguments = ["listen", str(clip), "--out", str(tmp_path), "--pump-ratio", ratio, "--vanes", "10"]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    parts = {
        part["name"]: part
        for part in json.loads((tmp_path / "03_pump_whine-parts.json").read_text())["parts"]
    }
    note, level_db = parts["pump"]["note"], parts["pump"]["level_db"]
    assert f"; such a sound is {percent(parts['pump']['probability'])} likely\n" in said
    if empty:
        assert "1.02 turns a crank turn and 10 vanes, as stated" in note
        assert f"its part holds next to nothing ({-level_db:.0f} dB below the clip)" in note
        assert "measure both pulleys again and count the vanes, or leave them out." in note
        assert said.count(note) == 1
    else:
        assert note is None
        assert level_db > -10.0
        assert "next to nothing" not in said
    assert all(part["note"] is None for name, part in parts.items() if name != "pump")


def test_the_parts_add_up_to_the_clip(written):
    clip_file, folder = written
    said = json.loads((folder / "short_squeal-parts.json").read_text())
    clip = read_clip(clip_file)
    total = np.zeros(len(clip.samples))
    for part in said["parts"]:
        samples, rate = soundfile.read(folder / part["file"])
        assert rate == clip.sample_rate_hz
        assert soundfile.info(folder / part["file"]).subtype == "PCM_24"
        total += samples
    total *= 10 ** (-said["gain_db"] / 20)
    error = np.mean((total - clip.samples) ** 2) / np.mean(clip.samples.astype(float) ** 2)
    assert error < 1e-10
    assert said["sum_error_db"] == (pytest.approx(10 * np.log10(error), abs=0.5) if error else None)


def test_the_parts_of_a_clip_that_is_next_to_silent_add_up_as_well(written, tmp_path, capsys):
    """Each part is rounded to 24 bits: the rest takes what the others lose by it."""
    loud = read_clip(written[0])
    quiet = tmp_path / "quiet.wav"
    soundfile.write(quiet, 1e-3 * loud.samples / np.abs(loud.samples).max(), loud.sample_rate_hz, "PCM_24")
    assert main(["listen", str(quiet), "--out", str(tmp_path / "parts"), "--rpm", "850"]) in (0, 3)
    capsys.readouterr()
    said = json.loads((tmp_path / "parts" / "quiet-parts.json").read_text())
    assert said["sum_error_db"] is None, "24 bits in, 24 bits out: not a step is lost"


def test_every_part_is_named_and_the_simulated_clip_is_called_so(written, capsys):
    _, folder = written
    said = json.loads((folder / "short_squeal-parts.json").read_text())
    assert said["schema"] == "audiodiag/parts/1"
    assert said["simulated"] is True
    assert "simulated" in said["notice"]
    assert said["speed"]["source"] == "entered"
    assert said["speed"]["median_rpm"] == 800.0
    names = [part["name"] for part in said["parts"]]
    assert {"engine", "pump", "groan", "squeal", "rest"} <= set(names)
    assert {path.name for path in folder.iterdir()} == {
        "short_squeal-parts.json",
        *(part["file"] for part in said["parts"]),
    }
    with soundfile.SoundFile(folder / "short_squeal-engine.flac") as file:
        assert "simulated" in file.title


@pytest.mark.parametrize(
    ("probability", "order", "vehicle", "first_order"),
    [
        (0.24, 11.4, None, None),
        (0.25, 11.4, None, 11.4),
        (0.9, float("nan"), None, None),
        (0.0, 15.3, Vehicle(pump_ratio=1.2, vanes=10), 12.0),
        (0.0, 12.1, Vehicle(pump_ratio=1.2, vanes=10), 12.0),
        (0.3, 12.1, Vehicle(pump_ratio=1.2, vanes=10), 12.1),
        (0.3, 24.2, Vehicle(pump_ratio=1.2, vanes=10), 12.1),
        (0.1, 11.4, Vehicle(pump_ratio=1.2), None),
        (0.0, 10.9, Vehicle(pump_ratio=1.2, vanes=9), 21.6),
        (0.3, 21.7, Vehicle(pump_ratio=1.2, vanes=9), 21.7),
        (0.3, 43.4, Vehicle(pump_ratio=1.2, vanes=9), 21.7),
        (0.3, 10.9, Vehicle(pump_ratio=1.2, vanes=9), 10.9),
    ],
)
def test_the_pump_is_sought_only_where_it_is_heard_or_its_drive_stated(
    probability, order, vehicle, first_order
):
    analysis = SimpleNamespace(
        measurements={"whine_order": order}, symptom=lambda name: SimpleNamespace(probability=probability)
    )
    found = pump_sought(analysis, vehicle)
    assert found.first_order == (None if first_order is None else pytest.approx(first_order))
    assert found.source.startswith("not sought") == (first_order is None)
    assert (found.source == "as perhaps heard") == (probability == 0.25)
    near_by = probability == 0.3
    assert found.confirmed == (found.source == "as stated and heard near by") == near_by
    assert (found.source == "as stated") == (first_order in (12.0, 21.6))
    if found.source == "as stated":
        assert first_order == pytest.approx(vehicle.first_ripple_order), "as compare says it"
    if found.confirmed:
        assert found.pump_ratio == pytest.approx(1.2, rel=0.03)
    assert (odd_vanes_words(found) is not None) == (vehicle is not None and vehicle.vanes == 9)


def test_noise_is_said_to_hold_no_engine(tmp_path, capsys):
    clip = tmp_path / "noise.wav"
    soundfile.write(clip, 0.1 * np.random.default_rng(1).standard_normal(10 * 16000), 16000)
    assert main(["listen", str(clip), "--out", str(tmp_path), *DRIVE[:2], "--vanes", "9"]) == 0
    said = capsys.readouterr().out
    doubt = said.splitlines()[1]
    assert doubt.startswith("No engine is heard in this clip. This does not sound like an engine bay")
    assert (
        "hold what happens to lie at the orders of a guessed speed, and no part is a sign of an engine"
        in doubt
    )
    assert "likely" not in said, "nothing is claimed about any sound"
    assert "from order 21.60 on, as stated. That is twice 1.2 turns times 9 vanes. A pump with an odd" in said
    told = json.loads((tmp_path / "noise-parts.json").read_text())
    assert told["doubt"] == doubt
    assert told["pump"]["note"] in said
    assert all(part["probability"] is None for part in told["parts"])


@pytest.mark.parametrize(
    ("kind", "confidence", "source", "words"),
    [
        ("symptoms", 0.9, "acoustic", None),
        ("normal", 0.0, "entered", None),
        (
            "symptoms",
            0.01,
            "acoustic",
            "No engine can be followed in this clip. So the parts of engine and pump",
        ),
        (
            "cannot_tell",
            0.9,
            "acoustic",
            "What sounds in this clip cannot be told. Why so. So no part is a",
        ),
        (
            "cannot_tell",
            0.01,
            "acoustic",
            "No engine can be followed in this clip. Why so. So the parts",
        ),
        ("not_an_engine_bay", 1.0, "entered", "lie at the orders of the stated speed, and no part is a sign"),
        ("not_an_engine_bay", 0.0, "none", "So the parts of engine and pump stay in the rest, and no part"),
    ],
)
def test_what_the_parts_are_is_said_where_no_engine_is_heard(kind, confidence, source, words):
    rpm = np.full(3, np.nan if source == "none" else 800.0)
    speed = SpeedTrace(source, confidence, np.arange(3.0), rpm, rpm, rpm, np.ones(3))
    found = partsform.doubt_words(SimpleNamespace(speed=speed, verdict=Verdict(kind, "Why so.")))
    assert found is None if words is None else words in found


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["listen"], "no clip is named"),
        (["listen", "a.wav"], "must be told where"),
        (["listen", "a.wav", "--out", "parts", "--json"], "there is no such option"),
        (["listen", "a.wav", "--out", "parts", "--rpm", "1"], "--rpm cannot be used"),
    ],
)
def test_refusals_in_words(arguments, words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""


def test_nothing_is_left_behind_where_the_clip_cannot_be_read(tmp_path):
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"no sound")
    assert main(["listen", str(bad), "--out", str(tmp_path / "out")]) == 2
    assert list((tmp_path / "out").iterdir()) == []


def test_no_part_is_left_alone_where_the_room_ends_before_the_last(tmp_path, monkeypatch, capsys):
    real = partsform.write_bytes_whole

    def full(path, content):
        if "-groan" in str(path):
            raise UsageError("the file cannot be written", got="no room", allowed="room", todo="free some")
        return real(path, content)

    monkeypatch.setattr(partsform, "write_bytes_whole", full)
    clip = next(shipped_folder("recordings_demo").glob("*whine*.m4a"))
    assert main(["listen", str(clip), "--out", str(tmp_path)]) == 2
    assert "the file cannot be written" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
