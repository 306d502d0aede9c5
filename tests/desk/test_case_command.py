"""``audiodiag case``: the desk's cases from the shell, as a person would go through one."""

from __future__ import annotations

import contextlib
import io
import json
import zipfile
from pathlib import Path

import pytest

from audiodiag.cli import main
from audiodiag.resources import shipped_folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("desk")


def ran(capsys, folder: Path, *words: str, wanted: int = 0) -> str:
    code = main(["case", *words, "--folder", str(folder)])
    said = capsys.readouterr()
    assert code == wanted, said.err
    return said.out if wanted == 0 else said.err


@pytest.fixture(scope="module")
def key(folder) -> str:
    """The key of the one case, as ``case new`` prints it."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = main(["case", "new", "Grey estate", "--words", "hums at the stop", "--folder", str(folder)])
    assert code == 0
    return said.getvalue().split()[0]


def test_a_case_goes_from_clip_to_parcel(capsys, folder, key, tmp_path):
    assert json.loads(ran(capsys, folder, "list", "--json"))["cases"][0]["key"] == key
    clip = next(shipped_folder("recordings_demo").glob("*squeal*.m4a"))
    ran(capsys, folder, "add", key, str(clip), "--made", "before", "--wait")
    shown = ran(capsys, folder, "show", key)
    assert "simulated" in shown
    assert "squeal" in shown
    assert "Take care first" in shown
    ran(capsys, folder, "note", key, "belt looked at")
    advised = ran(capsys, folder, "advise", key)
    assert "belt" in advised.lower()
    assert advised.count("Likely causes") == 1
    parcel = tmp_path / "case.zip"
    ran(capsys, folder, "pack", key, "--out", str(parcel), "--wait")
    with zipfile.ZipFile(parcel) as opened:
        assert any(name.endswith("bagit.txt") for name in opened.namelist())


def test_the_first_signs_of_a_key_do(capsys, folder, key):
    assert "Grey estate" in ran(capsys, folder, "show", key[:6])


def test_no_key_begins_with_a_dash_that_a_shell_takes_for_an_option(capsys, tmp_path, monkeypatch):
    drawn = iter(["-f8G4TzJ0s1e2r3t4y5u6i7o", "-_8G4TzJ0s1e2r3t4y5u6i7o", "Af8G4TzJ0s1e2r3t4y5u6i7o"])
    monkeypatch.setattr("audiodiag.desk.casework.secrets.token_urlsafe", lambda _: next(drawn))
    assert ran(capsys, tmp_path, "new", "Grey estate").startswith("Af8G4TzJ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["show", "zzzzzz"], "there is no such case"),
        (["frob"], "this cannot be done with a case"),
        (["new"], "case new NAME"),
        (["show"], "case show KEY"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(capsys, folder, key, words, said):
    text = ran(capsys, folder, *words, wanted=2)
    assert said in text
    assert "What to do:" in text


def test_a_file_that_is_not_there_adds_nothing(capsys, folder, key):
    before = ran(capsys, folder, "show", key)
    assert "cannot be added" in ran(capsys, folder, "add", key, "no_such_clip.wav", wanted=2)
    assert ran(capsys, folder, "show", key) == before


def test_a_recording_that_is_refused_is_called_by_its_name_and_left_out_of_a_parcel(capsys, tmp_path):
    key = ran(capsys, tmp_path, "new", "Blue van").split()[0]
    text = tmp_path / "hums.wav"
    text.write_text("a text, no sound\n" * 50)
    assert main(["case", "add", key, str(text), "--wait", "--folder", str(tmp_path)]) == 2
    out = capsys.readouterr().out
    assert out.startswith("1: hums.wav: hums.wav holds no sound (got a text file)")
    assert (
        main(["case", "pack", key, "1", "--out", str(tmp_path / "one.zip"), "--folder", str(tmp_path)]) == 2
    )
    assert "audiodiag: hums.wav holds no sound" in capsys.readouterr().err
    clip = next(shipped_folder("recordings_demo").glob("*squeal*.m4a"))
    ran(capsys, tmp_path, "add", key, str(clip), "--wait")
    said = ran(capsys, tmp_path, "pack", key, "--out", str(tmp_path / "case.zip"))
    assert ", 1 recording without place and device\n" in said
    assert said.endswith("Left out, since they cannot be used: hums.wav\n")
    for words in (["compare", key, "--before", "2", "--after", "99"], ["bleed", key, "99"]):
        refused = ran(capsys, tmp_path, *words, wanted=2)
        assert "this case holds no such recording (got number 99; allowed: 1, 2)" in refused
    assert "case trend takes more words" in ran(capsys, tmp_path, "trend", key, wanted=2)
