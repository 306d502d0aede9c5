"""`audiodiag speed`: curve, band, other readings and reasons."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile

from audiodiag.analysis import engine_followed
from audiodiag.cli import main
from audiodiag.records import Clip, Quality, SpeedAlternative, SpeedTrace
from audiodiag.report.speedform import reasons, speed_csv, speed_png, speed_text, speed_to_json
from audiodiag.speed.acoustic import no_speed
from audiodiag.speed.given import speed_from_table

RATE = 8000
CLIP = Clip(
    np.sin(2 * np.pi * 26 * np.arange(10 * RATE) / RATE).astype(np.float32), RATE, "bay.wav", "", "pcm"
)
GOOD = Quality(True, (), (40.0, 4000.0))


def trace(**changes) -> SpeedTrace:
    time_s = np.arange(100) * 0.1
    rpm = 780.0 + 20.0 * np.sin(0.2 * np.pi * time_s)
    values = {
        "source": "acoustic",
        "confidence": 0.9,
        "time_s": time_s,
        "rpm": rpm,
        "rpm_low": rpm - 2.0,
        "rpm_high": rpm + 2.0,
        "instant_confidence": np.full(100, 0.9),
        "cylinders": 4,
        "cylinders_source": "heard",
        "alternatives": (SpeedAlternative(2.0, 4, 0.06), SpeedAlternative(1.0, 8, 0.03)),
    }
    return SpeedTrace(**(values | changes))


def test_the_text_tells_the_figures_and_draws_the_curve():
    said = speed_text(CLIP, GOOD, trace())
    assert said.splitlines()[0] == "bay.wav (10.0 s): engine speed by ear"
    assert "start 780 rpm (at 0.0 s)" in said
    assert "lowest 760, highest 800" in said
    assert "4 cylinders (heard)" in said
    drawn = [line for line in said.splitlines() if "|" in line]
    assert len(drawn) == 9
    assert sum(line.count("*") for line in drawn) == 64, "one star a column"
    first, highest = drawn[4], max(drawn, key=lambda line: ("*" in line, -drawn.index(line)))
    assert first.index("*") < highest.index("*"), "it rises first"
    assert "6 %  1560 rpm (2 times this) with 4 cylinders" in said
    assert "3 %  the same speed with 8 cylinders" in said


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "Sure (90 %)"),
        ({"confidence": 0.6}, "Fairly sure (60 %)"),
        ({"confidence": 0.2}, "Not sure (20 %)"),
        ({}, "The strongest other reading has 6 %: 1560 rpm"),
        ({"alternatives": ()}, "No other speed, such as half or double"),
        ({"cylinders_source": "entered"}, "was stated"),
        ({"rpm_low": np.full(100, 700.0), "rpm_high": np.full(100, 860.0)}, "not sharp: the 90 % band is 20"),
        ({"rpm": np.where(np.arange(100) < 50, np.nan, 780.0)}, "For 50 % of the clip"),
    ],
)
def test_it_says_why_it_is_sure_or_not(changes, words):
    assert words in " ".join(reasons(CLIP, GOOD, trace(**changes)))


def test_the_table_is_one_that_the_program_reads_again(tmp_path):
    made = trace()
    file = tmp_path / "bay-speed.csv"
    file.write_text(speed_csv(made))
    again = speed_from_table(file, 10.0)
    np.testing.assert_allclose(again.rpm[:100], made.rpm, atol=0.01)


def test_json_has_the_curve_with_null_for_unknown():
    said = json.loads(speed_to_json(CLIP, GOOD, trace(rpm=np.where(np.arange(100) == 3, np.nan, 780.0))))
    assert said["schema"] == "audiodiag/speed/1"
    assert said["rpm"][3] is None
    assert said["median_rpm"] == 780.0
    assert said["alternatives"][0] == {"factor": 2.0, "rpm": 1560.0, "cylinders": 4, "probability": 0.06}
    assert said["simulated"] is False


def test_the_picture_is_a_png_and_names_a_simulated_clip():
    from dataclasses import replace

    from audiodiag.report.speedform import speed_picture

    assert speed_png(CLIP, trace(), dots_per_inch=40).startswith(b"\x89PNG")
    figure = speed_picture(replace(CLIP, notes=(), name="simulated_bay.wav"), trace())
    assert "simulated" in figure.get_suptitle()


def test_the_command_writes_curve_and_table_of_a_stated_speed(tmp_path, capsys):
    clip = tmp_path / "bay.wav"
    soundfile.write(clip, 0.3 * CLIP.samples, RATE)
    assert main(["speed", str(clip), "--rpm", "780", "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "engine speed as stated" in said
    assert "median 780 rpm" in said
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["bay-speed.csv", "bay-speed.png"]
    assert main(["speed", str(clip), "--rpm-table", str(tmp_path / "out/bay-speed.csv"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["source"] == "table"


def test_without_a_speed_it_ends_with_three_and_says_what_to_do(tmp_path, capsys, monkeypatch):
    def nothing_heard(clip, **_):
        return no_speed(clip.duration_s, "No sound in which an engine could be heard.")

    monkeypatch.setattr("audiodiag.speed.chosen.speed_by_ear", nothing_heard)
    clip = tmp_path / "yard.wav"
    soundfile.write(clip, 0.3 * CLIP.samples, RATE)
    assert main(["speed", str(clip), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().out
    assert "Why there is none\n  - No sound in which an engine could be heard." in said
    assert "State the speed with --rpm" in said
    assert list((tmp_path / "out").iterdir()) == []


def test_no_clip_is_refused_in_words(capsys):
    assert main(["speed"]) == 2
    assert "no clip is named" in capsys.readouterr().err


def test_noise_ends_with_three_and_says_that_no_engine_is_followed(tmp_path, capsys):
    """As `analyse` does, although a guess of the speed is there."""
    clip = tmp_path / "noise.wav"
    soundfile.write(clip, 0.1 * np.random.default_rng(1).standard_normal(10 * 16000), 16000)
    assert main(["speed", str(clip)]) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "CANNOT TELL: no engine can be followed in this clip. The figures below are the best guess, " in said
    )
    assert re.search(r"Cannot tell \((< 1|[1-6]) %\): no speed stands out of the noise", said)
    assert "State the speed with --rpm" in said
    assert main(["speed", str(clip), "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["engine_followed"] is False
    assert main(["analyse", str(clip), "--quiet"]) == 3


@pytest.mark.parametrize(
    ("changes", "followed"),
    [
        ({"confidence": 0.08}, True),
        ({"confidence": 0.06}, False),
        ({"confidence": 0.08, "cylinders_source": "entered"}, False),
        ({"confidence": 0.0, "source": "table"}, True),
        ({"rpm": np.full(100, np.nan)}, False),
    ],
)
def test_an_engine_counts_as_followed_as_in_the_verdict(changes, followed):
    assert engine_followed(trace(**changes)) is followed
    told = speed_text(CLIP, GOOD, trace(**changes))
    assert ("or record again within" in " ".join(told.split())) is not followed
