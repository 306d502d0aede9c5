"""A process that is ended while it writes leaves no half file in place."""

from __future__ import annotations

import pytest

from tests.cases import kill_while_writing


def test_ended_writers_leave_no_half_file():
    assert kill_while_writing.run(4, seed=1) > 0


def test_the_check_finds_half_files(tmp_path):
    (tmp_path / "report.html").write_text("<!doctype html>1xxx", encoding="utf-8")
    with pytest.raises(AssertionError):
        kill_while_writing.check_places(tmp_path)
