"""Server, workers and their parent killed at random under load: nothing that was acknowledged is lost.

``DESK_KILLS`` sets how often the server is killed; the usual run does it a few times only.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import time
from collections import Counter
from pathlib import Path

import pytest
from sqlalchemy import select

from audiodiag.cases.bag import bag_files, parcel_bytes
from audiodiag.desk.store import Store
from audiodiag.desk.tables import AnalysisRow, FileRow, JobRow, RecordingRow, TaskRow
from audiodiag.desk.vault import Vault
from audiodiag.resources import shipped_folder
from tests.cases.parcels import FOLDER, PAYLOAD
from tests.desk.conftest import wait_for
from tests.desk.served import Served

KILLS = int(os.environ.get("DESK_KILLS", "2"))
CLIP = (shipped_folder("recordings_demo") / "12_whine_old_phone.3gp").read_bytes()
MOST = 90
"""Recordings, fewer than one case may hold."""
LONGEST_S = 240.0 + 20.0 * KILLS
pytestmark = pytest.mark.limit(2 * LONGEST_S)


class Counted:
    """What was killed, and what ran at that moment."""

    def __init__(self) -> None:
        self.running: Counter[str] = Counter()
        self.killed: Counter[str] = Counter()


def _whole_after_a_kill(folder: Path, recordings: set[str], tasks: set[int], counted: Counted) -> None:
    """Hold what was acknowledged against the database and the files, as they lie there after a kill."""
    store = Store(folder)
    assert store.damage() == ()
    with store.reading() as session:
        known = set(session.scalars(select(RecordingRow.sha256)))
        asked = set(session.scalars(select(TaskRow.id)))
        counted.running.update(session.scalars(select(JobRow.kind).where(JobRow.state == "running")))
        made = session.scalars(select(FileRow.sha256)).all()
    store.close()
    vault = Vault(folder)
    assert recordings <= known, "a recording that was acknowledged is not in the database"
    assert tasks <= asked
    assert vault.missing(known) == set(), "a recording is not on the disk as it was sent"
    assert all(vault.made_of(each).is_file() for each in made)
    counted.killed["server"] += 1
    print(f"{dict(counted.killed)}: {len(known)} recordings, {len(tasks)} tasks, all there", flush=True)


def _finished(folder: Path) -> Store:
    store = Store(folder)

    def done() -> bool:
        with store.reading() as session:
            return not session.scalars(select(JobRow.id).where(JobRow.state.in_(("queued", "running")))).all()

    wait_for(done, within_s=LONGEST_S)
    return store


def test_recordings_survive_kills_while_they_arrive_and_are_listened_to(tmp_path):
    rng, counted = random.Random(7), Counted()
    with Served(tmp_path / "desk") as served:
        key = json.loads(served.ask("POST", "/api/1/cases", b'{"title": "under load"}'))["key"]
        acknowledged: set[str] = set()
        for turn in range(KILLS):
            until, number = time.monotonic() + rng.uniform(0.3, 2.5), 0
            while time.monotonic() < until and len(acknowledged) < min(6 + 2 * turn, MOST):
                body = CLIP + f"{turn}.{number}".encode()  # another hash, the same sound
                number += 1
                told = json.loads(served.ask("POST", f"/api/1/cases/{key}/recordings?name=a.3gp", body))
                acknowledged.add(told["sha256"])
            time.sleep(max(0.0, until - time.monotonic()))
            parent = turn % 4 == 3
            if turn % 2 and served.kill_one_worker(rng, parent=parent):
                counted.killed["parent" if parent else "worker"] += 1
                time.sleep(rng.uniform(0.0, 1.5))
            served.kill()
            _whole_after_a_kill(tmp_path / "desk", acknowledged, set(), counted)
            served.start()
        store = _finished(tmp_path / "desk")
        with store.reading() as session:
            analysed = session.scalars(select(AnalysisRow.recording_id)).all()
            failed = session.scalars(select(JobRow.recording_id).where(JobRow.state == "failed")).all()
            there = session.scalars(select(RecordingRow.id)).all()
        assert len(analysed) == len(set(analysed)), "none was counted twice"
        assert sorted([*analysed, *failed]) == sorted(there), "each was listened to, or it is said why not"
        assert 2 * len(failed) <= counted.killed["worker"] + 2 * counted.killed["parent"], "killed twice each"
        assert store.damage() == ()
        store.close()
        print(f"\n{len(acknowledged)} acknowledged, {len(analysed)} listened to, {len(failed)} given up")
        print(f"killed: {dict(counted.killed)}; running when the server was killed: {dict(counted.running)}")
        served.end()


def _parcel(number: int) -> bytes:
    others = {name: content for name, content in PAYLOAD.items() if not name.startswith("recordings/")}
    recordings = {"recordings/recording-01.3gp": CLIP + f"parcel {number}".encode()}
    return parcel_bytes(bag_files({**others, **recordings}, {"Bag-Software-Agent": "a test"}), FOLDER)


class Sender:
    """Somebody who asks for papers, sends parcels, and sends recordings in pieces, through every kill."""

    def __init__(self, served: Served, key: str, recording: int) -> None:
        self._served, self._here, self._recording = served, f"/api/1/cases/{key}", recording
        self.recordings: set[str] = set()
        self.reports: set[int] = set()
        self.parcels: set[int] = set()
        self.resumed = 0
        self._number = 0
        self._under_way: tuple[str, bytes] | None = None

    def go_on(self, rng: random.Random) -> None:
        """Do one thing."""
        kind = rng.choice(["piece", "piece", "report", "parcel"])
        if kind == "piece":
            self._piece(rng)
        elif kind == "report" and len(self.reports) < 2 + KILLS // 3:
            told = self._call("POST", "/reports", json.dumps({"recordings": [self._recording]}).encode())
            self.reports.add(told["task"])
        elif kind == "parcel" and len(self.parcels) < 2 + KILLS // 2:
            told = self._call("POST", "/recordings?name=a.zip", _parcel(len(self.parcels)))
            self.parcels.add(told["task"])

    def _piece(self, rng: random.Random) -> None:
        if self._under_way is None:
            if self._number >= 2 + KILLS // 2:
                return
            self._number += 1
            content = CLIP + f"in pieces {self._number}".encode()
            told = {"name": "b.3gp", "size_bytes": len(content)}
            upload = self._call("POST", "/uploads", json.dumps(told).encode())["upload"]
            self._under_way = (upload, content)
        upload, content = self._under_way
        there = self._call("GET", f"/uploads/{upload}")["received_bytes"]
        self.resumed += 0 < there < len(content)
        piece = content[there : there + rng.randint(3000, 12_000)]
        if piece:
            told = self._call("PATCH", f"/uploads/{upload}?offset={there}", piece)
        if not piece or told["recording"] is not None:
            self.recordings.add(hashlib.sha256(content).hexdigest())
            self._under_way = None

    def _call(self, method: str, place: str, body: bytes | None = None) -> dict:
        return json.loads(self._served.ask(method, f"{self._here}{place}", body))


def test_papers_parcels_and_pieces_survive_kills(tmp_path):
    rng, counted = random.Random(11), Counted()
    with Served(tmp_path / "desk") as served:
        key = json.loads(served.ask("POST", "/api/1/cases", b'{"title": "papers"}'))["key"]
        first = json.loads(served.ask("POST", f"/api/1/cases/{key}/recordings?name=a.3gp", CLIP))
        sender = Sender(served, key, first["recording"])
        for _ in range(KILLS):
            until = time.monotonic() + rng.uniform(0.5, 3.0)
            while time.monotonic() < until:
                sender.go_on(rng)
                time.sleep(0.05)
            served.kill()
            tasks = sender.reports | sender.parcels
            _whole_after_a_kill(tmp_path / "desk", sender.recordings, tasks, counted)
            served.start()
        while sender._under_way is not None:
            sender._piece(rng)
        store = _finished(tmp_path / "desk")
        with store.reading() as session:
            jobs = {job.task_id: job for job in session.scalars(select(JobRow)) if job.task_id is not None}
            states = {jobs[task].state for task in sender.reports | sender.parcels}
            hashes = Counter(session.scalars(select(RecordingRow.sha256)))
            reports = session.scalars(select(FileRow.job_id).where(FileRow.media == "text/html")).all()
        assert states <= {"done"}
        assert sorted(reports) == sorted(jobs[task].id for task in sender.reports), "one report each"
        out_of_parcels = {
            hashlib.sha256(CLIP + f"parcel {number}".encode()).hexdigest()
            for number in range(len(sender.parcels))
        }
        assert {hashes[each] for each in out_of_parcels} <= {1}, "each parcel was opened once"
        assert sender.recordings <= set(hashes)
        assert store.damage() == ()
        store.close()
        print(
            f"\n{len(sender.reports)} reports, {len(sender.parcels)} parcels, "
            f"{len(sender.recordings)} recordings in pieces, {sender.resumed} pieces that went on"
        )
        print(f"killed: {dict(counted.killed)}; running when the server was killed: {dict(counted.running)}")
        served.end()
