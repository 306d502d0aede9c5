"""A test that stands still fails in words and leaves no process behind, whatever it waits for."""

from __future__ import annotations

import os
import secrets
import signal
import sys
import time
from pathlib import Path

import pytest

from tests.desk.served import Served, Started
from tests.limits import BROWSER as BROWSERS
from tests.limits import descendants_of
from tests.report.browser import chromium, shut

ROOT = Path(__file__).resolve().parents[1]
WITHIN = """
from tests import limits
from tests.conftest import *
limits.GRACE_S = 2.0
"""
BROWSER = """
import pytest
from tests.limits import BROWSER as BROWSERS
from tests.limits import descendants_of
from tests.report.browser import chromium, shut

@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found

@pytest.mark.limit({limit})
def test_waits(browser):
    page = browser.new_page()
    page.set_content("<p>here</p>")
    page.evaluate({script!r})

def test_next(browser):
    browser.new_page()
"""
SERVER = """
import subprocess, sys
import pytest

@pytest.mark.limit(3)
def test_waits():
    command = "import time; time.sleep(1000)"
    subprocess.Popen([sys.executable, "-c", command], stdout=subprocess.PIPE).stdout.readline()
"""
NOBODY = """
import threading
import pytest

@pytest.mark.limit(2)
def test_waits():
    threading.Event().wait(1000)
"""


def _run(folder: Path, test: str) -> tuple[int, str]:
    """Run a test file with our limits; gives its ending and its words, and looks that no process is left."""
    (folder / "conftest.py").write_text(WITHIN)
    (folder / "test_inner.py").write_text(test)
    (folder / "pytest.ini").write_text("[pytest]\n")
    mark = f"AUDIODIAG_MARK={secrets.token_hex(8)}"
    name, value = mark.split("=")
    with Started(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--rootdir", str(folder), str(folder)],
        folder / "said.log",
        environment={**os.environ, name: value, "PYTHONPATH": str(ROOT)},
    ) as inner:
        inner.process.wait(timeout=120)
        until = time.monotonic() + 10
        while (left := _with(mark)) and time.monotonic() < until:
            time.sleep(0.1)
        for pid in left:
            os.kill(pid, 9)
        assert left == [], inner.said()
        return inner.process.returncode, inner.said()


def _with(mark: str) -> list[int]:
    """Processes, ours apart, that have this in their environment and have not ended."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if mark.encode() in (place / "environ").read_bytes():
                found.append(int(place.name))
        except OSError:
            continue
    return found


@pytest.mark.parametrize("script", ["new Promise(() => {})", "while (true) {}"], ids=["waits", "works"])
def test_page_that_never_answers(tmp_path, script):
    with chromium():
        pass
    ended, said = _run(tmp_path, BROWSER.format(script=script, limit=8))
    assert ended == 1, said
    assert "test_inner.py::test_waits (the test) took longer than 8 s, so its processes were ended: " in said
    assert "chrom" in said.partition("were ended: ")[2]
    assert ">       page.evaluate(" in said or ">   page.evaluate(" in said, "where it stood is shown"
    assert "stood still, and its browser and desk were ended" in said, "what fails after it says why"


def test_browser_that_does_not_close_is_ended_and_started_anew():
    with chromium() as browser:
        first = browser.new_context()
        first.new_page().set_content("<p>here</p>")
        for pid in descendants_of(os.getpid()):
            if BROWSERS in Path(f"/proc/{pid}/cmdline").read_bytes():
                os.kill(pid, signal.SIGSTOP)
        assert not shut(first, within_s=1.0)
        second = browser.new_context()
        assert second.new_page().evaluate("1 + 1") == 2
        assert shut(second)


def test_process_that_never_says_anything(tmp_path):
    ended, said = _run(tmp_path, SERVER)
    assert ended == 1, said
    assert "took longer than 3 s, so its processes were ended: " in said
    assert "time.sleep(1000)" in said.partition("were ended: ")[2]


def test_wait_that_nothing_ends(tmp_path):
    ended, said = _run(tmp_path, NOBODY)
    assert ended == 3, said
    assert "(the test) stood still for more than 2 s" in said
    assert "threading.py" in said.partition("stood still")[2]


def test_desk_that_talks_without_end_is_still_answered(tmp_path):
    """A pipe holds some 64 kB; a desk that has said more than that into one would stand still."""
    with _Talker(tmp_path / "desk") as desk:
        assert desk.ask("GET", "/anything") == b"still here"
        desk.end()
        assert len(desk.started.said()) > 1_000_000


def test_desk_that_prints_no_address_is_ended(tmp_path):
    with pytest.raises(AssertionError, match=r"was never said, only: (?s:.*)no such place"):
        _Silent(tmp_path / "desk").start()


TALKER = """
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer

class Answers(BaseHTTPRequestHandler):
    def do_GET(self):
        sys.stderr.write("x" * 600_000)
        self.send_response(200)
        self.send_header("Set-Cookie", "a=b; c")
        self.end_headers()
        self.wfile.write(b"still here")

server = HTTPServer(("127.0.0.1", int(sys.argv[1])), Answers)
print(f"http://127.0.0.1:{sys.argv[1]}/start/x", flush=True)
server.serve_forever()
"""


class _Talker(Served):
    def command(self) -> list[str]:
        return [sys.executable, "-c", TALKER, str(self.port)]

    def end(self) -> None:
        self.kill()


class _Silent(Served):
    def command(self) -> list[str]:
        return [sys.executable, "-c", "raise SystemExit('no such place')"]
