"""The queue at work: takes jobs, has each done by a process of its own, keeps what they bring back."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import audiodiag
from audiodiag.desk.arrived import arrival_of
from audiodiag.desk.jobs import (
    Attempt,
    Made,
    end_with_failure,
    end_with_result,
    give_back,
    queue_again_what_ran,
    take_next,
)
from audiodiag.desk.settings import DeskSettings
from audiodiag.desk.store import Store
from audiodiag.desk.vault import Vault, shown_name
from audiodiag.errors import AudiodiagError

__all__ = ["Workforce"]

ORDER_FILE, RESULT_FILE, PROGRESS_FILE, SOUND_FILE = (
    "order.json",
    "result.json",
    "progress.json",
    "sound.flac",
)
MADE_FOLDER = "made"
_KEPT_ENVIRONMENT = ("PATH", "HOME", "LANG", "LC_ALL", "TMPDIR", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
_MEMORY = ":".join(
    f"glibc.malloc.{setting}"
    for setting in ("hugetlb=1", f"trim_threshold={1 << 30}", f"mmap_threshold={1 << 25}")
)
"""Large pages, and freed memory kept for the next array: a branched-off worker begins with none of its own.

Measured on the demo recordings: 90,000 page faults in place of 340,000, and a tenth of the processor time.
"""
POLL_S = 1.0
MOST_FILES = 500
MOST_BARREN = 3
"""Parents of workers that may end in turn, none beginning an order, until orders count as tried."""
_MADE_NAME = re.compile(r"[a-z0-9_][a-z0-9_.-]{0,60}")
_COULD_NOT = {
    "compare": "the sides could not be compared",
    "report": "the report could not be made",
    "parcel": "the parcel could not be made",
    "parts": "the parts could not be made",
    "unpack": "the parcel could not be opened",
    "bleed": "the bleeding could not be watched",
    "trend": "the months could not be followed",
}


@dataclass
class _UnderWay:
    attempt: Attempt
    folder: Path
    nursery: int = 0
    pid: int | None = None


class Workforce:
    """Runs the jobs of one desk; `start` it once, `stop` it at the end."""

    def __init__(self, store: Store, vault: Vault, settings: DeskSettings) -> None:
        self._store, self._vault, self._settings = store, vault, settings
        self._room = settings.folder / "work"
        self._wake = threading.Event()
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._under_way: dict[str, _UnderWay] = {}
        self._lost: list[Attempt] = []
        self._barren = 0
        self._nursery: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Take up what was cut off, and begin."""
        shutil.rmtree(self._room, ignore_errors=True)
        self._room.mkdir(mode=0o700)
        queue_again_what_ran(self._store)
        self._thread = threading.Thread(target=self._run, name="workforce", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End all workers; their jobs wait for the next start."""
        self._ended.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=10)
        self._close_nursery()

    def wake(self) -> None:
        """Tell that a new job waits."""
        self._wake.set()

    def progress(self) -> Mapping[int, dict[str, Any]]:
        """Give step and share of every job under way, by its id."""
        with self._lock:
            under_way = list(self._under_way.values())
        told: dict[int, dict[str, Any]] = {}
        for each in under_way:
            if each.pid is None:
                told[each.attempt.job_id] = {"step": "next in turn", "share": 0.0}
                continue
            with suppress(OSError, ValueError):
                told[each.attempt.job_id] = json.loads((each.folder / PROGRESS_FILE).read_text("utf-8"))
        return told

    def pids(self) -> list[int]:
        """Give the processes at work."""
        with self._lock:
            return [each.pid for each in self._under_way.values() if each.pid is not None]

    @property
    def nursery_pid(self) -> int | None:
        """The parent of the workers, where it runs."""
        return self._nursery.pid if self._nursery is not None else None

    def _run(self) -> None:
        with suppress(OSError):
            self._living_nursery()  # it loads what it needs while nobody waits for it
        while not self._ended.is_set():
            try:
                self._fill()
            except Exception as problem:  # a full disk or a locked database must not end the queue for good
                print(f"desk: the queue waits: {_one_line(problem)}", file=sys.stderr)
            self._wake.wait(POLL_S)
            self._wake.clear()

    def _fill(self) -> None:
        """Send as many orders as there are workers, and one more for each, to be begun when it is free."""
        self._end_what_was_lost()
        while len(self._under_way) < 2 * self._settings.workers and not self._ended.is_set():
            attempt = take_next(self._store)
            if attempt is None:
                return
            self._send(attempt)

    def _end_what_was_lost(self) -> None:
        """End the attempts whose results could not be kept, once the database can be written again."""
        while self._lost:
            refusal = _failure(self._lost[0].kind, "a result that could not be kept")
            end_with_failure(self._store, self._lost[0], refusal, attempts=self._settings.limits.attempts)
            self._lost.pop(0)

    def _send(self, attempt: Attempt) -> None:
        limits = self._settings.limits
        folder = self._room / attempt.token
        folder.mkdir(mode=0o700)
        order = {
            "kind": attempt.kind,
            "sender": attempt.sender,
            "car": attempt.car,
            "settings": self._settings_for(attempt),
            "seen": attempt.seen,
            "life": attempt.life,
            "recordings": [
                {**told, "path": str(self._vault.path_of(told["sha256"]).resolve())}
                for told in attempt.recordings
            ],
            "limits": {
                "memory_bytes": limits.worker_memory_bytes,
                "cpu_s": limits.worker_cpu_s,
                "turns": limits.worker_turns,
                "files": limits.worker_files,
                "output_bytes": limits.worker_output_bytes,
            },
        }
        (folder / ORDER_FILE).write_text(json.dumps(order), encoding="utf-8")
        word = "start" if attempt.kind == "listen" else "soon"
        line = f"{word} {attempt.token} {attempt.sender} {limits.worker_wall_s} {folder.resolve()}\n"
        nursery = self._living_nursery()
        with self._lock:
            self._under_way[attempt.token] = _UnderWay(attempt, folder, nursery.pid)
        try:
            assert nursery.stdin is not None
            nursery.stdin.write(line.encode())
            nursery.stdin.flush()
        except OSError:
            self._close_nursery()
            self._end(attempt.token, "the parent of the workers had ended")

    def _settings_for(self, attempt: Attempt) -> dict[str, Any]:
        settings = dict(attempt.settings)
        if attempt.kind == "unpack":
            settings["path"] = str(self._vault.path_of(settings["sha256"]).resolve())
        return settings

    def _living_nursery(self) -> subprocess.Popen[bytes]:
        if self._nursery is None or self._nursery.poll() is not None:
            environment = {key: os.environ[key] for key in _KEPT_ENVIRONMENT if key in os.environ}
            environment |= dict.fromkeys(_THREADS, "1") | {"GLIBC_TUNABLES": _MEMORY}
            source = str(Path(audiodiag.__file__).resolve().parents[1])
            code = (
                f"import sys; sys.path.insert(0, {source!r})\n"
                "from audiodiag.desk.nursery import main\n"
                f"main({self._settings.workers}, {self._settings.limits.worker_turns})"
            )
            self._nursery = subprocess.Popen(
                [sys.executable, "-c", code],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                cwd=self._room,
                env=environment,
                start_new_session=True,
            )
            threading.Thread(target=self._listen_to, args=(self._nursery,), daemon=True).start()
        return self._nursery

    def _listen_to(self, nursery: subprocess.Popen[bytes]) -> None:
        """Read what the parent of the workers says; where it dies, so have its workers."""
        assert nursery.stdout is not None
        for line in nursery.stdout:
            word, token, value = line.decode().split()
            if word == "begun":
                self._barren = 0
                with self._lock:
                    if token in self._under_way:
                        self._under_way[token].pid = int(value)
            else:
                self._end(token, _said_of(int(value)), ended_well=value == "0")
        nursery.stdout.close()
        nursery.wait()
        if nursery.stdin is not None:
            with suppress(OSError):
                nursery.stdin.close()
        if self._ended.is_set():
            return
        with self._lock:
            orphans = [
                (token, each) for token, each in self._under_way.items() if each.nursery == nursery.pid
            ]
        self._barren += 1
        for token, each in orphans:
            if each.pid is None and self._barren < MOST_BARREN:  # nobody had begun it
                self._return(token, each)
            else:
                self._end(token, "the parent of the workers ended")

    def _end(self, token: str, said: str, *, ended_well: bool = False) -> None:
        with self._lock:
            under_way = self._under_way.get(token)
        if under_way is None:
            return
        try:
            self._keep(under_way, said, ended_well)
        except Exception as problem:
            print(f"desk: a result could not be kept: {_one_line(problem)}", file=sys.stderr)
            self._lost.append(under_way.attempt)
        finally:
            self._forget(token, under_way)

    def _return(self, token: str, under_way: _UnderWay) -> None:
        """Let an order that no worker had begun wait again; that was no attempt."""
        try:
            give_back(self._store, under_way.attempt)
        except Exception as problem:
            print(f"desk: a job could not be put back: {_one_line(problem)}", file=sys.stderr)
            self._lost.append(under_way.attempt)
        finally:
            self._forget(token, under_way)

    def _forget(self, token: str, under_way: _UnderWay) -> None:
        """Clear an order away, whatever became of it, and let the next one come."""
        with self._lock:
            self._under_way.pop(token, None)
        shutil.rmtree(under_way.folder, ignore_errors=True)
        self._wake.set()

    def _keep(self, under_way: _UnderWay, said: str, ended_well: bool) -> None:
        limits, attempt = self._settings.limits, under_way.attempt
        result = _result_in(under_way.folder, limits.result_bytes) if ended_well else None
        if result is not None:
            sound = under_way.folder / SOUND_FILE
            if attempt.kind == "listen" and sound.is_file():
                home = self._vault.sound_of(attempt.recordings[0]["sha256"])
                home.parent.mkdir(exist_ok=True, mode=0o700)
                sound.replace(home)
            made = self._taken_in(under_way, result)
            also = None
            if attempt.kind == "unpack":
                also = arrival_of("desk", result.get("told", {}), made, limits)
            try:
                end_with_result(self._store, attempt, result, version=_version(), made=made, also=also)
            except AudiodiagError as error:  # too many recordings in the case, or too many waiting
                told = {"what": error.what, "got": error.got, "allowed": error.allowed, "todo": error.todo}
                end_with_result(self._store, attempt, {"refusal": told}, version=_version())
            return
        end_with_failure(self._store, attempt, _failure(attempt.kind, said), attempts=limits.attempts)

    def _taken_in(self, under_way: _UnderWay, result: dict[str, Any]) -> list[Made]:
        """Take the files that a worker named into the vault; strange names and kinds are refused."""
        made, left = [], self._settings.limits.made_bytes
        for each in result.get("files", ())[:MOST_FILES]:
            name = str(each["name"])
            if not _MADE_NAME.fullmatch(name):
                raise ValueError(f"a worker named a file {name!r}")
            path = under_way.folder / MADE_FOLDER / name
            left -= path.lstat().st_size
            if left < 0:
                raise ValueError("a worker made more than it may")
            recording = each["media"] == "recording" and under_way.attempt.kind == "unpack"
            sha256, size = self._vault.take_in(path, recording=recording)
            shown = shown_name(str(each.get("shown", name)))
            made.append(Made(shown, str(each["media"])[:40], sha256, size, recording))
        return made

    def _close_nursery(self) -> None:
        nursery, self._nursery = self._nursery, None
        if nursery is None:
            return
        with suppress(OSError):
            assert nursery.stdin is not None
            nursery.stdin.close()
        nursery.terminate()
        try:
            nursery.wait(timeout=5)
        except subprocess.TimeoutExpired:
            nursery.kill()
            nursery.wait()


def _result_in(folder: Path, most_bytes: int) -> dict[str, Any] | None:
    path = folder / RESULT_FILE
    try:
        if path.is_symlink() or path.stat().st_size > most_bytes:
            return None
        result = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return result if isinstance(result, dict) else None


def _failure(kind: str, got: str) -> dict[str, str]:
    return {
        "what": _COULD_NOT.get(kind, "the recording could not be listened to"),
        "got": got,
        "allowed": "a recording of a phone, 3 seconds to 15 minutes long",
        "todo": "send it again, or cut out a stretch of 10 to 60 seconds and send that",
    }


def _one_line(problem: Exception) -> str:
    """Give a fault as one line of the desk's own output, whatever signs stand in it."""
    line = " ".join(str(problem).split())[:300]
    return "".join(sign if sign.isprintable() else "?" for sign in line)


def _said_of(exit_code: int) -> str:
    if exit_code == -24:
        return "a worker that took more processor time than it may"
    if exit_code == -9:
        return "a worker that was ended, or took longer than it may"
    return f"a worker that broke off ({'signal' if exit_code < 0 else 'code'} {abs(exit_code)})"


def _version() -> str:
    return getattr(audiodiag, "__version__", "0")
