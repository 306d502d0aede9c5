from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from audiodiag.errors import UsageError
from audiodiag.files import write_bytes_whole, write_text_whole


def test_older_file_is_replaced(tmp_path):
    place = tmp_path / "row.json"
    write_text_whole(place, "old")
    assert write_text_whole(place, "new \u00e4\n") == place
    assert place.read_bytes() == "new \u00e4\n".encode()
    assert list(tmp_path.iterdir()) == [place]


def test_older_file_survives_a_failed_write(tmp_path, monkeypatch):
    place = tmp_path / "row.json"
    write_text_whole(place, "old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UsageError, match=r"the file cannot be written.*No space left"):
        write_bytes_whole(place, b"new")
    assert place.read_text() == "old"
    assert list(tmp_path.iterdir()) == [place], "the half-written part must not stay"


def test_missing_folder_is_named_in_words(tmp_path):
    with pytest.raises(UsageError) as caught:
        write_bytes_whole(tmp_path / "none" / "row.json", b"")
    assert "none/row.json" in caught.value.got.replace(os.sep, "/")
    assert caught.value.todo.startswith("make the folder")


@pytest.mark.skipif(os.name == "nt", reason="permissions are kept elsewhere on this system")
def test_permissions_are_those_of_an_ordinary_file(tmp_path: Path):
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    whole = write_bytes_whole(tmp_path / "whole", b"")
    assert stat.S_IMODE(whole.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
