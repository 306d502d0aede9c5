"""The built wheel works by itself: models and demo recordings are in it and are found."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile

import pytest

from tests.house.house import ROOT, tracked_files


def _pip(*arguments: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pip", "--disable-pip-version-check", *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    _pip("wheel", "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", str(folder), str(ROOT))
    (made,) = folder.glob("audiodiag-*.whl")
    return made


@pytest.fixture(scope="module")
def site(wheel, tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    _pip("install", "--no-deps", "--no-index", "--target", str(folder), str(wheel))
    return folder


def test_wheel_carries_models_and_demo_recordings(wheel):
    held = set(zipfile.ZipFile(wheel).namelist())
    for path in tracked_files():
        name = path.relative_to(ROOT).as_posix()
        if name.startswith(("models/", "recordings_demo/")):
            assert f"audiodiag/_shipped/{name}" in held
        if name.startswith("audiodiag/"):
            assert name in held
    assert not [name for name in held if name.startswith(("tests/", "notebooks/"))]


def test_wheel_diagnoses_its_own_demo(site, tmp_path):
    clips = sorted((site / "audiodiag" / "_shipped" / "recordings_demo").glob("*.m4a"))
    assert clips, "no demo recording in the wheel"
    environment = {**os.environ, "PYTHONPATH": str(site)}
    where = subprocess.run(
        [sys.executable, "-c", "import audiodiag; print(audiodiag.__file__)"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert where.stdout.startswith(str(site)), "the checkout was tested, not the wheel"
    done = subprocess.run(
        [sys.executable, "-m", "audiodiag", "analyse", "--json", str(clips[0])],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=200,
    )
    assert done.returncode in (0, 3), done.stderr
    row = json.loads(done.stdout)
    assert row["schema"] == "audiodiag/analysis/1"
    assert row["clip"]["file"] == str(clips[0])
