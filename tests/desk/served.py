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

from tests.limits import children_of

ROOT = Path(__file__).resolve().parents[2]


def free_port() -> int:
    """Give a port of this machine that nobody listens at."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


class Started:
    """A command in a process of its own. What it says goes into a file: a pipe that nobody reads would fill,
    and then stop it for ever."""

    def __init__(self, command: list[str], log: Path, environment: dict[str, str] | None = None) -> None:
        self.log = log
        self._from = log.stat().st_size if log.exists() else 0
        with log.open("ab") as words:
            self.process = subprocess.Popen(
                command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=words, stderr=words, env=environment
            )

    def __enter__(self) -> Started:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def said(self) -> str:
        """Give what it has said since it was started."""
        return self.log.read_bytes()[self._from :].decode(errors="replace")

    def hear(self, pattern: str, within_s: float = 60.0) -> re.Match[str]:
        """Wait until it says something; fails, and ends it, where it does not."""
        until = time.monotonic() + within_s
        while True:
            ended = self.process.poll() is not None
            if found := re.search(pattern, self.said()):
                return found
            if ended or time.monotonic() > until:
                self.kill()
                raise AssertionError(f"{pattern!r} was never said, only: {self.said()[-2000:]}")
            time.sleep(0.05)

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait(timeout=30)

    def end(self) -> None:
        """End it as a person does; by force, and a failure, where it does not end."""
        self.process.terminate()
        try:
            self.process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(f"it did not end when told to, and said: {self.said()[-2000:]}") from None


class Served:
    """A desk in a process of its own, with a session."""

    def __init__(self, folder: Path, *, workers: int = 2, database: str | None = None) -> None:
        self.folder, self.workers, self.database = folder, workers, database
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self.started: Started | None = None
        self.cookie = ""

    @property
    def process(self) -> subprocess.Popen[bytes]:
        """The server's process."""
        assert self.started is not None
        return self.started.process

    def __enter__(self) -> Served:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave nothing running, whatever went wrong."""
        if self.started is not None and self.process.poll() is None:
            self.kill()

    def command(self) -> list[str]:
        """Give the command that serves."""
        command = [sys.executable, "-m", "audiodiag", "desk", "--no-browser", "--folder", str(self.folder)]
        command += ["--port", str(self.port), "--workers", str(self.workers)]
        return command + (["--database", self.database] if self.database else [])

    def start(self) -> None:
        """Start it and come in by the address that it prints."""
        self.started = Started(self.command(), self.folder.with_name(f"{self.folder.name}.log"))
        address = self.started.hear(r"http://\S+/start/\S+(?=\s)")[0]
        until = time.monotonic() + 60
        while True:
            try:
                opener = urllib.request.build_opener(_Still())
                answer = opener.open(address, timeout=10)
                self.cookie = answer.headers["Set-Cookie"].split(";")[0]
                answer.close()
                return
            except OSError:
                if time.monotonic() > until:
                    self.kill()
                    raise AssertionError(
                        f"it does not answer, and said: {self.started.said()[-2000:]}"
                    ) from None
                time.sleep(0.1)

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.started is not None
        self.started.kill()

    def end(self) -> None:
        """End it as a person does."""
        assert self.started is not None
        self.started.end()

    def kill_one_worker(self, rng: random.Random, *, parent: bool = False) -> bool:
        """Kill one process at work at random, or the parent of them all; False where none works."""
        parents = children_of(self.process.pid)
        working = parents if parent else [each for one in parents for each in children_of(one)]
        if not working:
            return False
        with suppress(ProcessLookupError):
            os.kill(rng.choice(working), signal.SIGKILL)
        return True

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


class _Still(urllib.request.HTTPRedirectHandler):
    """Follows nothing, so that the cookie of the first answer is seen."""

    def http_error_303(self, request, answer, code, message, headers):
        return answer
