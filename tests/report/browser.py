"""Headless Chromium for tests: the system's own, driven from Python. Where CI is set it must be there."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
AXE = "axe-core@4.14.1"
IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")


def missing(reason: str) -> None:
    """Fail in CI, skip elsewhere."""
    if IN_CI:
        pytest.fail(f"{reason}; in CI it must be there", pytrace=False)
    pytest.skip(reason)


@contextmanager
def chromium() -> Iterator[Any]:
    """Give a running browser."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        missing("no Chromium is installed")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright is not installed; install the extra test")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=found, args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        )
        try:
            yield browser
        finally:
            browser.close()


@cache
def accessibility_rules() -> str:
    """Give the script of the accessibility rules, kept in a folder outside the project."""
    kept = Path(os.environ.get("AUDIODIAG_TEST_CACHE") or Path(tempfile.gettempdir()) / "audiodiag-tests")
    script = kept / AXE / "package" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        if npm is None:
            missing("npm is not installed, so the accessibility rules cannot be fetched")
        script.parent.parent.mkdir(parents=True, exist_ok=True)
        done = subprocess.run(
            [str(npm), "pack", AXE, "--silent"],
            cwd=script.parent.parent,
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        if done.returncode != 0:
            missing("the accessibility rules could not be fetched")
        (packed,) = script.parent.parent.glob("*.tgz")
        shutil.unpack_archive(packed, script.parent.parent, filter="data")
    return script.read_text(encoding="utf-8")
