"""Format, lint and types, in the same command as all other tests."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.house.house import ROOT

CHECKS = {
    "format": ["ruff", "format", "--check", "--diff", "."],
    "lint": ["ruff", "check", "."],
    "types": ["mypy"],
}


@pytest.mark.parametrize("name", CHECKS)
def test_check(name):
    done = subprocess.run(
        [sys.executable, "-m", *CHECKS[name]],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=500,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
