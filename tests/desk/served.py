"""A desk in a process of its own, as a person starts it, with a session; killed or ended at will."""

from __future__ import annotations

import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


class Served:
    """A desk in a process of its own, with a session."""

    def __init__(self, folder: Path, *, workers: int = 2, database: str | None = None) -> None:
        self.folder, self.workers, self.database = folder, workers, database
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.base = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[str] | None = None
        self.cookie = ""

    def __enter__(self) -> Served:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave nothing running, whatever went wrong."""
        if self.process is not None and self.process.poll() is None:
            self.kill()

    def start(self) -> None:
        """Start it and come in by the address that it prints."""
        command = [sys.executable, "-m", "audiodiag", "desk", "--no-browser", "--folder", str(self.folder)]
        command += ["--port", str(self.port), "--workers", str(self.workers)]
        command += ["--database", self.database] if self.database else []
        self.process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)
        address = ""
        for line in self.process.stderr:
            if found := re.search(r"http://\S+/start/\S+", line):
                address = found[0]
                break
        assert address, "the desk printed no address"
        until = time.monotonic() + 60
        while True:
            try:
                opener = urllib.request.build_opener(_Still())
                answer = opener.open(address, timeout=10)
                self.cookie = answer.headers["Set-Cookie"].split(";")[0]
                answer.close()
                return
            except OSError:
                assert time.monotonic() < until
                time.sleep(0.1)

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait()
        self.process.stderr.close()

    def kill_one_worker(self, rng: random.Random, *, parent: bool = False) -> bool:
        """Kill one process at work at random, or the parent of them all; False where none works."""
        parents = children_of(self.process.pid)
        working = parents if parent else [each for one in parents for each in children_of(one)]
        if not working:
            return False
        with suppress(ProcessLookupError):
            os.kill(rng.choice(working), signal.SIGKILL)
        return True

    def end(self) -> None:
        """End it as a person does."""
        self.process.terminate()
        self.process.wait(timeout=30)
        self.process.stderr.close()

    def ask(self, method: str, place: str, body: bytes | None = None) -> bytes:
        """Ask for something as a page of the desk does."""
        request = urllib.request.Request(f"{self.base}{place}", data=body, method=method)
        request.add_header("Cookie", self.cookie)
        request.add_header("Origin", self.base)
        if place.startswith("/api/"):
            sound = method == "PATCH" or place.partition("?")[0].endswith("/recordings")
            request.add_header("Content-Type", "application/octet-stream" if sound else "application/json")
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.read()


def children_of(pid: int) -> list[int]:
    """Give the children of a process, of all its threads."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            found += [int(each) for each in task.read_text().split()]
    return found


class _Still(urllib.request.HTTPRedirectHandler):
    """Follows nothing, so that the cookie of the first answer is seen."""

    def http_error_303(self, request, answer, code, message, headers):
        return answer
