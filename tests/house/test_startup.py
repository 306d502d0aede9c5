"""Help answers at once: it loads the standard library and light modules only."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.house.house import ROOT

HEAVY = {"numpy", "scipy", "av", "soundfile", "sklearn", "librosa", "matplotlib", "numba"}


def loaded_by(arguments: list[str], before: str = "") -> set[str]:
    """Names of all modules that a process has loaded after it ran the command."""
    code = (
        f"import io, json, sys\n{before}\nfrom audiodiag.cli import main\n"
        "kept, sys.stdout = sys.stdout, io.StringIO()\n"
        f"main({arguments!r})\n"
        "print(json.dumps(sorted(sys.modules)), file=kept)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True, timeout=120
    )
    return set(json.loads(done.stdout))


@pytest.mark.parametrize(
    "arguments", [["--help"], ["analyse", "--help"], ["version"], ["analyse", "x", "--rpm", "1"]]
)
def test_nothing_heavy_is_loaded(arguments):
    assert not {name.partition(".")[0] for name in loaded_by(arguments)} & HEAVY


def test_only_light_rooms_are_loaded():
    ours = {name.split(".")[1] for name in loaded_by(["--help"]) if name.startswith("audiodiag.")}
    assert ours == {"cli", "commands", "errors", "options", "rows", "units", "vehicle"}


def test_the_test_sees_what_is_loaded():
    assert "numpy" in loaded_by(["--help"], before="import audiodiag.records")


def test_pipeline_does_without_the_slowest_libraries():
    loaded = loaded_by(["version"], before="import audiodiag.analysis, audiodiag.report")
    assert not {name.partition(".")[0] for name in loaded} & {"sklearn", "librosa", "matplotlib", "numba"}
