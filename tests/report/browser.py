"""Headless Chromium for tests: the system's own, driven from Python. Where CI is set it must be there."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from threading import Timer
from typing import Any

import pytest

from tests.limits import end_browsers

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
AXE = "axe-core@4.14.1"
CLOSING_S = 20.0
IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")


def missing(reason: str) -> None:
    """Fail in CI, skip elsewhere."""
    if IN_CI:
        pytest.fail(f"{reason}; in CI it must be there", pytrace=False)
    pytest.skip(reason)


def shut(thing: Any, within_s: float = CLOSING_S) -> bool:
    """Close a page, a context or a browser; where it stands still, end the browsers and give False.

    The driver waits for a close without a limit, and a browser that does not close while one of its pages is
    on its way to the next is no fault of that page. `Sturdy` starts a browser that was ended anew.
    """
    ended: list[str] = []
    timer = Timer(within_s, lambda: ended.extend(end_browsers()))
    timer.start()
    try:
        thing.close()
    except Exception as problem:
        if not ended and "has been closed" not in str(problem):
            raise
    finally:
        timer.cancel()
    return not ended


class Sturdy:
    """A browser that is started when it is first wanted, and anew where it had to be ended."""

    def __init__(self, start: Callable[[], Any]) -> None:
        self._start = start
        self._running: Any = None

    def __enter__(self) -> Sturdy:
        return self

    def __exit__(self, *_: object) -> None:
        if self._running is not None:
            shut(self._running)

    def _browser(self) -> Any:
        if self._running is None or not self._running.is_connected():
            self._running = self._start()
        return self._running

    def new_context(self, **how: Any) -> Any:
        """Give a new context, as the driver does."""
        return self._browser().new_context(**how)

    def new_page(self, **how: Any) -> Any:
        """Give a new page in a context of its own, as the driver does."""
        return self._browser().new_page(**how)


@contextmanager
def chromium(arguments: Sequence[str] = ("--autoplay-policy=no-user-gesture-required",)) -> Iterator[Sturdy]:
    """Give a browser, started with these arguments."""
    with driver() as play, Sturdy(lambda: launched(play, arguments)) as browser:
        yield browser


@contextmanager
def driver() -> Iterator[Any]:
    """Give the browsers' driver; where it or every browser is missing, fails in CI and skips elsewhere."""
    if executable() is None:
        missing("no Chromium is installed")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright is not installed; install the extra test")
    with sync_playwright() as play:
        yield play


def launched(play: Any, arguments: Sequence[str]) -> Any:
    """Give a running browser, as the driver starts it."""
    return play.chromium.launch(executable_path=executable(), args=["--no-sandbox", *arguments])


def hearing(sound: Path) -> list[str]:
    """Give the arguments of a browser that may use its microphone, which hears a sound over and over."""
    return [
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={sound}",
    ]


def executable() -> str | None:
    """Give the place of the system's browser."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


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
