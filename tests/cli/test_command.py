from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest

from audiodiag.cli import main
from audiodiag.options import ANALYSE_OPTIONS
from audiodiag.rows import Request, row_of
from tests.cli.stand_in import analyse
from tests.report.schema import ANALYSIS, REFUSAL

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-m", "tests.cli.stand_in", "analyse"]


def run(capsys, *arguments: str):
    code = main(["analyse", *arguments], analyse=analyse)
    said = capsys.readouterr()
    return code, said.out, said.err


def refused(capsys, *arguments: str) -> str:
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert out == ""
    assert err.startswith("audiodiag: ")
    assert "allowed: " in err
    assert "What to do: " in err
    assert err.count("\n") == 1
    return err


def test_one_clip_gives_a_report(capsys):
    code, out, err = run(capsys, "squeal.m4a")
    assert code == 0
    assert out.startswith("squeal.m4a, a simulated clip (10.0 s")
    assert err == ""
    assert "\x1b" not in out, "no colour in a pipe"


def test_cannot_tell_ends_with_three(capsys):
    assert run(capsys, "kitchen.m4a")[0] == 3


def test_bad_clip_ends_with_two_and_one_sentence(capsys):
    code, out, err = run(capsys, "bad.m4a")
    assert code == 2
    assert out == ""
    assert err == "bad.m4a: the clip is empty (got 0 s; allowed: at least 3 s). What to do: record again.\n"


def test_a_complaint_names_its_clip_once(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("words.txt").write_text("no sound, only words")
    for name in ("no.wav", "words.txt", str(tmp_path / "words.txt")):
        assert row_of(name, Request()).complaint.count(name) == 1
    assert row_of("away/no.wav", Request()).complaint.startswith("away/no.wav: there is no file no.wav")


def test_rows_keep_the_order_and_bad_clips_do_not_stop_the_others(capsys):
    clips = ["slow.m4a", "bad.m4a", "kitchen.m4a", "d/normal.m4a"]
    code, out, err = run(capsys, "--json", *clips)
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["clip"]["file"] for row in rows] == clips
    for row, schema in zip(rows, (ANALYSIS, REFUSAL, ANALYSIS, ANALYSIS), strict=True):
        jsonschema.validate(row, schema)
    assert rows[1]["error"]["todo"] == "record again"
    assert err.startswith("bad.m4a: the clip is empty")
    assert code == 2


def test_cannot_tell_among_others_ends_with_three(capsys):
    assert run(capsys, "normal.m4a", "kitchen.m4a")[0] == 3


def test_fault_of_the_program_is_told_and_ends_with_one(capsys):
    code, out, err = run(capsys, "--json", "bug.m4a", "normal.m4a")
    assert code == 1
    assert "ZeroDivisionError: float division by zero" in json.loads(out.splitlines()[0])["error"]["got"]
    assert "Traceback" in err
    assert json.loads(out.splitlines()[1])["schema"] == "audiodiag/analysis/1"


def test_worker_that_dies_costs_only_its_clip(capsys):
    clips = ["normal.m4a", "death.m4a", "slow_1.m4a", "slow_2.m4a", "kitchen.m4a"]
    code, out, _ = run(capsys, "--json", *clips)
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["clip"]["file"] for row in rows] == clips
    assert [row["schema"].split("/")[1] for row in rows] == ["analysis", "refusal", *["analysis"] * 3]
    assert code == 1


def test_workers_keep_to_one_core_each(capsys, tmp_path):
    clips = [tmp_path / "threads_1", tmp_path / "threads_2"]
    before = {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}
    assert run(capsys, *map(str, clips))[0] == 0
    assert [clip.read_text() for clip in clips] == ["1", "1"]
    assert {n: v for n, v in os.environ.items() if n != "PYTEST_CURRENT_TEST"} == before, (
        "the setting must not outlive the pool"
    )


def test_reports_of_several_clips_are_set_apart(capsys):
    _, out, _ = run(capsys, "a_normal.m4a", "b_normal.m4a")
    assert "\n\nb_normal.m4a, a simulated clip" in out


def test_quiet_prints_one_line_a_clip(capsys):
    code, out, err = run(capsys, "--quiet", "normal.m4a", "kitchen.m4a")
    assert [line.split(":")[0] for line in out.splitlines()] == [
        "normal.m4a, a simulated clip",
        "kitchen.m4a, a simulated clip",
    ]
    assert err == ""
    assert code == 3


def test_out_writes_picture_and_row(capsys, tmp_path):
    folder = tmp_path / "new" / "folder"
    code, out, _ = run(capsys, "--json", "--out", str(folder), "normal.m4a")
    assert code == 0
    assert sorted(path.name for path in folder.iterdir()) == ["normal.json", "normal.png"]
    assert (folder / "normal.json").read_text() == out
    assert (folder / "normal.png").read_bytes().startswith(b"\x89PNG")


def test_out_refuses_clips_that_share_a_name(capsys, tmp_path):
    err = refused(capsys, "--out", str(tmp_path), "a/Clip.m4a", "b/clip.wav")
    assert "two clips would be written to one file" in err


def test_out_refuses_a_file_in_its_place(capsys, tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    assert "folder for --out cannot be made" in refused(capsys, "--out", str(place), "clip.m4a")


def test_options_reach_the_pipeline_by_name(capsys, tmp_path):
    clip = tmp_path / "settings.m4a"
    arguments = ["--tach-channel", "2", "--pulses-per-rev", "0.5", "--channel", "1", "--steering", "stop 2-4"]
    saw = ["--saw", "fluid_level=low", "--saw", "fluid_bubbles = foam"]
    car = ["--cylinders", "5", "--pump-ratio", "1.2", "--vanes", "10", "--idle-low-rpm", "700"]
    assert run(capsys, str(clip), *arguments, *saw, *car)[0] == 0
    settings = json.loads(clip.read_text())
    vehicle = settings.pop("vehicle")
    assert settings == {
        "tach_channel": "2",
        "pulses_per_rev": "0.5",
        "channel": "1",
        "steering_marks": "stop 2-4",
        "observations": "{'fluid_level': 'low', 'fluid_bubbles': 'foam'}",
    }
    assert "cylinders=5, pump_ratio=1.2, vanes=10" in vehicle


def test_nothing_is_passed_on_that_was_not_said(capsys, tmp_path):
    clip = tmp_path / "settings.m4a"
    run(capsys, str(clip))
    assert json.loads(clip.read_text()) == {}


def test_every_number_option_is_bounded(capsys):
    for option in ANALYSE_OPTIONS:
        if option.kind in ("number", "whole"):
            for text in ("many", "nan", "inf", "1e300"):
                assert option.flag in refused(capsys, "clip.m4a", option.flag, text)


def test_vehicle_file_and_options_go_together(capsys, tmp_path):
    file = tmp_path / "car.toml"
    file.write_text("[engine]\ncylinders = 4\n[pump]\nvanes = 9\n")
    clip = tmp_path / "settings.m4a"
    assert run(capsys, str(clip), "--vehicle", str(file), "--vanes", "10")[0] == 0
    assert "cylinders=4, pump_ratio=None, vanes=10" in json.loads(clip.read_text())["vehicle"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--rpm", "800", "--rpm-table", "t.csv"], "the engine speed is stated twice"),
        (["--tach-channel", "2", "--tach-file", "t.wav"], "got --tach-channel and --tach-file"),
        (["--pulses-per-rev", "2"], "no pulses are given"),
        (["--channel", "2", "--tach-channel", "2"], "cannot be both the sound and the pulses"),
        (["--steering", "stop 1-2", "--steering-table", "s.csv"], "the steering is stated twice"),
        (["second.m4a", "--rpm-table", "t.csv"], "--rpm-table belongs to one clip"),
        (["second.m4a", "--steering", "stop 1-2"], "--steering belongs to one clip"),
        (["--saw", "fluid low"], "the observation cannot be read"),
        (["--saw", "fluid_levl=low"], "did you mean fluid_level?"),
        (["--saw", "fluid_level=low", "--saw", "fluid_level=right"], "has two answers"),
        (["--crank-pulley-mm", "150", "--pump-pulley-mm", "125", "--pump-ratio", "2"], "pump"),
        (["--idle-low-rpm", "900", "--idle-high-rpm", "700"], "idle"),
        (["--rpm"], "--rpm needs a value behind it (got --rpm with nothing behind it; allowed: --rpm RPM: "),
        (
            ["--rpm", "-5km"],
            "--rpm cannot be used: steady engine speed, read from the car (got -5km; allo",
        ),
        (["--cylinder", "4"], "did you mean --cylinders?"),
        (["--language", "de"], "use it where it belongs: audiodiag report, audiodiag pack"),
        (["--after-steering", "stop 1-2"], "did you mean --steering, or use it where it belongs: audiodiag "),
        (["--vehicle", "missing.toml"], "missing.toml cannot be read"),
    ],
)
def test_contradictions_are_refused_in_words(capsys, arguments, words):
    assert words in refused(capsys, "clip.m4a", *arguments)


def test_questions_and_their_answers_are_printed(capsys):
    assert main(["questions"]) == 0
    assert "    --saw fluid_level=low  (the fluid stands too low)\n" in capsys.readouterr().out


def test_training_gets_its_options_and_their_presets(capsys, monkeypatch):
    from audiodiag.classifier import train

    got = {}
    monkeypatch.setattr(train, "train_command", lambda args: got.update(vars(args)) or 0)
    assert main(["train", "--clips", "200", "--add", "mine"]) == 0
    assert got.pop("workers") >= 1
    presets = {"speed_clips": 0, "keep_comb": False, "seed": 0, "out": None, "keep": None}
    assert got == {"clips": 200, "add": "mine", **presets}
    assert main(["train", "--speed-clips", "40", "--keep-comb"]) == 0
    assert got["keep_comb"] is True and got["speed_clips"] == 40
    assert main(["train", "--clips", "3"]) == 2
    assert "allowed: a whole number from 40 to 100000" in capsys.readouterr().err


def test_a_comb_that_is_kept_needs_clips_for_the_rest(capsys):
    assert main(["train", "--keep-comb"]) == 2
    assert "say with --speed-clips how many clips to learn from" in capsys.readouterr().err


def test_no_clip_is_refused_in_words(capsys):
    assert "no clip is named" in refused(capsys)


def test_unknown_command_is_refused_in_words(capsys):
    assert main(["analyze", "clip.m4a"]) == 2
    err = capsys.readouterr().err
    assert "the command cannot be understood (got analyze; allowed: analyse, train, " in err
    assert "did you mean analyse?" in err and "invalid choice" not in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["speed", "a.wav", "b.wav"],
            "speed takes one thing at a time (got b.wav as well; allowed: audiodiag s",
        ),
        (["train", "a.wav"], "train takes options only (got a.wav as well"),
        (["analyse", "a.wav", "--bogus"], "see audiodiag analyse --help"),
        (["analyse", "a.wav", "--out", ""], "--out is empty"),
        (["analyse", "a.wav", "--vehicle", " "], "--vehicle is empty"),
        (["listen", "a.wav", "--out", ""], "--out is empty"),
        (["pack", "a.wav", "--out", ""], '(got ""; allowed: FILE.zip)'),
        (["unpack", "a.zip", "--out", ""], "--out is empty"),
        (["train", "--out", ""], "--out is empty"),
        (["train", "--keep", ""], "--keep is empty"),
        (["train", "--add", ""], "--add is empty"),
        (["case", "list", "--folder", ""], "--folder is empty"),
        (["analyse", "a.wav", "--rpm", ""], '(got ""; allowed: a number from 200 to 9000 rpm)'),
        (["analyse", "a.wav", "--rpm", "800,5"], "write the decimals with a point"),
        (["analyse", "a.wav", "--rpm", "8_00"], "--rpm cannot be used"),
        (["analyse", "a.wav", "--rpm", "\u0667\u0668\u0660"], "--rpm cannot be used"),
        (["train", "--seed", "-1"], "a whole number from 0 to 2147483647)"),
        (["analyse", "a.wav", "--mileage", "-1"], "a number from 0 to 3000000 km)"),
    ],
)
def test_odd_words_are_refused_with_what_to_do(capsys, arguments, words):
    assert main(arguments) == 2
    assert words in capsys.readouterr().err


def test_a_file_in_the_place_of_a_folder_is_called_one(capsys, tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    assert "file: that is a file;" in refused(capsys, "--out", str(place), "clip.m4a")


def test_a_vehicle_file_of_other_bytes_is_refused_without_the_words_of_a_decoder(capsys, tmp_path):
    place = tmp_path / "car.toml"
    place.write_bytes(b"cylinders = \xac")
    err = refused(capsys, "--vehicle", str(place), "clip.m4a")
    assert "got signs that are no UTF-8" in err and "codec" not in err


def test_no_argument_shows_help(capsys):
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["version"], ["--version"]])
def test_version(capsys, arguments):
    assert main(arguments) == 0
    assert capsys.readouterr().out == "audiodiag 0.1.0\n"


def test_help_names_every_option(capsys):
    assert main(["analyse", "--help"]) == 0
    text = capsys.readouterr().out
    assert all(option.flag in text for option in ANALYSE_OPTIONS)


def test_reader_that_goes_away_ends_it_silently():
    clips = " ".join(f"normal_{number}.m4a" for number in range(6))
    done = subprocess.run(
        f"{' '.join(COMMAND)} {clips} --json | head -c 20",
        shell=True,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.stderr == ""
    assert done.stdout == '{"schema": "audiodia'


def wait_for(path: Path, seconds: float = 60) -> str:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if path.exists() and path.read_text():
            return path.read_text()
        time.sleep(0.05)
    raise AssertionError(f"{path.name} never came")


def alive(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.parametrize("names", [["endless_1"], ["endless_1", "endless_2", "endless_3"]])
def test_stopped_from_the_keyboard(tmp_path, names):
    clips = [tmp_path / name for name in names]
    process = subprocess.Popen(
        [*COMMAND, *map(str, clips)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    worker = int(wait_for(clips[0]))
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (130, "", "Stopped.\n")
    until = time.monotonic() + 10
    while alive(worker) and time.monotonic() < until:
        time.sleep(0.05)
    assert not alive(worker), "a worker went on after Ctrl-C"


def on_terminal(arguments: list[str], **environment: str) -> str:
    """Give what a person sees who runs the command on a terminal of 80 columns."""
    mine, its = pty.openpty()
    kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS")}
    process = subprocess.Popen(
        [*COMMAND, *arguments],
        cwd=ROOT,
        stdout=its,
        stderr=its,
        env={**kept, "TERM": "xterm", "COLUMNS": "80", **environment},
    )
    os.close(its)
    seen = b""
    while True:
        try:
            part = os.read(mine, 65536)
        except OSError:
            break
        if not part:
            break
        seen += part
    os.close(mine)
    process.wait(timeout=60)
    return seen.decode()


def test_terminal_gets_colour_and_progress():
    seen = on_terminal(["normal.m4a"])
    assert "\x1b[1;32mNOTHING WRONG IS HEARD\x1b[0m" in seen
    assert "listening 50 %" in seen
    several = on_terminal(["a_normal.m4a", "b_normal.m4a"])
    assert "1 of 2 clips done" in several


def test_no_color_and_quiet_are_kept():
    assert "\x1b[1" not in on_terminal(["normal.m4a"], NO_COLOR="1")
    assert "\x1b[1" not in on_terminal(["normal.m4a"], TERM="dumb")
    assert "listening" not in on_terminal(["--quiet", "normal.m4a"])


def test_device_or_pipe_as_table_or_car_is_refused_at_once(capsys, tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for option in ("--rpm-table", "--steering-table", "--vehicle"):
        assert "a device or a pipe" in refused(capsys, "normal.m4a", option, str(pipe))


def test_clip_that_begins_with_a_dash_is_explained(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("-clip.wav").write_bytes(b"x")
    assert "write ./-clip.wav" in refused(capsys, "-clip.wav")


def test_bad_car_leaves_no_folder_behind(capsys, tmp_path):
    refused(capsys, "normal.m4a", "--vehicle", str(tmp_path / "none.toml"), "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_signs_that_steer_the_terminal_are_not_repeated(capsys):
    said = refused(capsys, "normal.m4a", "--rpm", "\x1b[31m8\n00" + "9" * 5000)
    assert "\x1b" not in said
    assert len(said) < 1000


def test_closed_output_is_no_fault(monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)
    assert main(["version"]) == 0
    sys.stdout.close()
