"""Parcels from strangers are refused in words, and nothing of them is written."""

from __future__ import annotations

import os

import pytest

from audiodiag.cases import check_parcel, unpack_parcel
from audiodiag.cases import unpacking as room
from audiodiag.cli import main
from audiodiag.errors import ParcelError
from tests.cases.parcels import HOSTILE, PAYLOAD, sound_files, sound_parcel


def test_a_sound_parcel_is_unpacked_to_the_byte(tmp_path):
    (tmp_path / "p.zip").write_bytes(sound_parcel())
    unpack_parcel(tmp_path / "p.zip", tmp_path / "case")
    for name, content in sound_files().items():
        assert (tmp_path / "case" / name).read_bytes() == content
    assert {p.name for p in tmp_path.iterdir()} == {"p.zip", "case"}


def test_there_are_enough_hostile_parcels():
    assert len(HOSTILE) >= 25


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_parcels_are_refused_in_words(name, tmp_path, capsys):
    make, words = HOSTILE[name]
    parcel = tmp_path / "p.zip"
    parcel.write_bytes(make())
    with pytest.raises(ParcelError) as refused:
        check_parcel(parcel)
    said = str(refused.value)
    assert words in said and "What to do" in said and said.isprintable()
    assert main(["unpack", str(parcel), "--out", str(tmp_path / "case")]) == 2
    assert "What to do" in capsys.readouterr().err
    assert {p.name for p in tmp_path.iterdir()} == {"p.zip"}


def test_pipes_and_folders_are_no_parcels(tmp_path):
    os.mkfifo(tmp_path / "pipe.zip")
    for place, word in ((tmp_path / "pipe.zip", "is no file"), (tmp_path, "is a folder")):
        with pytest.raises(ParcelError, match=word):
            check_parcel(place)
    with pytest.raises(ParcelError, match="there is no file nothing"):
        check_parcel(tmp_path / "nothing.zip")


def test_parcels_that_are_too_large_are_refused_unread(tmp_path, monkeypatch):
    (tmp_path / "p.zip").write_bytes(sound_parcel())
    monkeypatch.setattr(room, "MOST_PARCEL_BYTES", 100)
    with pytest.raises(ParcelError, match="too large"):
        check_parcel(tmp_path / "p.zip")
    monkeypatch.undo()
    monkeypatch.setattr(room, "MOST_BYTES", 100)
    with pytest.raises(ParcelError, match="too much"):
        check_parcel(tmp_path / "p.zip")


def test_nothing_is_unpacked_over_what_is_there(tmp_path):
    (tmp_path / "p.zip").write_bytes(sound_parcel())
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "mine.txt").write_text("mine")
    with pytest.raises(ParcelError, match="not unpacked over"):
        unpack_parcel(tmp_path / "p.zip", tmp_path / "case")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ParcelError, match="not unpacked over"):
        unpack_parcel(tmp_path / "p.zip", tmp_path / "link")
    assert sorted(p.name for p in (tmp_path / "case").iterdir()) == ["mine.txt"]


def test_an_independent_library_finds_the_bag_valid(tmp_path):
    bagit = pytest.importorskip("bagit")
    (tmp_path / "p.zip").write_bytes(sound_parcel())
    unpack_parcel(tmp_path / "p.zip", tmp_path / "case")
    bag = bagit.Bag(str(tmp_path / "case"))
    bag.validate()
    assert set(bag.payload_entries()) == {f"data/{name}" for name in PAYLOAD}
    (tmp_path / "case" / "data" / "notes.txt").write_bytes(b"changed")
    assert not bagit.Bag(str(tmp_path / "case")).is_valid()
