"""A desk of its own for every test, with a visitor at it and recordings that need no worker."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from audiodiag.desk.app import desk_app
from audiodiag.desk.casework import add_recording, open_case
from audiodiag.desk.jobs import end_with_result, take_next
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.settings import DeskSettings, Limits
from audiodiag.desk.tables import CaseRow, NoteRow
from audiodiag.desk.visitors import Visitor, session_of
from audiodiag.report.jsonform import analysis_to_dict
from tests.desk.postgres import fresh_database
from tests.desk.served import Served
from tests.report.examples import squeal_analysis

HOST = "127.0.0.1:8765"
BASE = f"http://{HOST}"
SERVER = os.environ.get("DESK_POSTGRES", "")
"""Address of a PostgreSQL server in which every desk gets a database of its own; else files are used."""
OURS = {"Origin": BASE, "Sec-Fetch-Site": "same-origin"}


class Desk:
    """A desk under test."""

    def __init__(self, folder: Path, **settings) -> None:
        limits = settings.pop("limits", Limits(spare_disk_bytes=0))
        if SERVER and "database" not in settings:
            settings["database"] = fresh_database(SERVER)
        self.settings = DeskSettings(folder=folder, limits=limits, **settings)
        self.room = DeskRoom(self.settings)
        self.app = desk_app(self.room)

    def client(self, visitor: Visitor | None = None, *, errors: bool = False) -> TestClient:
        """A browser; with a visitor it has that visitor's session."""
        client = TestClient(
            self.app, base_url=BASE, headers=OURS, follow_redirects=False, raise_server_exceptions=errors
        )
        if visitor is not None:
            client.cookies.set(self.settings.cookie, session_of(self.room.signer, visitor))
        return client

    def advisor(self, name: str = "advisor") -> TestClient:
        return self.client(Visitor("advisor", name))

    def case(self, title: str = "the blue van", **told) -> str:
        """Open a case and give its key."""
        with self.room.store.writing() as session:
            return open_case(session, "advisor", title=title, **told).key

    def recording(
        self, key: str, *, content: bytes = b"a clip", listened: bool = True, who: str = "owner", **told
    ) -> int:
        """Put a recording into a case; listened to by nobody, its result is made up."""
        from sqlalchemy import select

        from audiodiag.desk.tables import CaseRow

        with self.room.vault.incoming() as arriving:
            arriving.write(content)
            sha256 = arriving.keep()
        with self.room.store.writing() as session:
            case = session.scalar(select(CaseRow).where(CaseRow.key == key))
            row = add_recording(
                session,
                who,
                case,
                sha256=sha256,
                size_bytes=len(content),
                most_in_case=100,
                most_waiting=1000,
                **{"file_name": "clip.m4a", **told},
            )
        if listened:
            attempt = take_next(self.room.store)
            assert end_with_result(self.room.store, attempt, made_up_result(), version="0.1.0")
        return row.id


def send(client: TestClient, key: str, content, **told):
    """Send a recording as the body of one call; what is told of it stands in the address."""
    octets = {"Content-Type": "application/octet-stream"}
    return client.post(f"/api/1/cases/{key}/recordings", params=told, content=content, headers=octets)


def made_up_result() -> dict:
    """What a worker brings back, of a constructed analysis."""
    found = analysis_to_dict(squeal_analysis(), file="squeal.m4a")
    return json.loads(
        json.dumps({"analysis": found, "outline": [0.1, 0.5, 0.2], "simulated": True, "answers": {}})
    )


@pytest.fixture
def desk(tmp_path) -> Iterator[Desk]:
    made = Desk(tmp_path / "desk")
    yield made
    made.room.close()


def wait_for(condition, within_s: float = 240.0, *, every_s: float = 0.1) -> None:
    """Wait until something holds; fails where it does not."""
    until = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < until, "it took too long"
        time.sleep(every_s)


def write_at_once(desk: Desk, times: int) -> None:
    """Let four people write to one case at the same time, and look that nothing that they wrote is lost."""
    desk.case()
    problems: list[Exception] = []

    def write(who: str) -> None:
        try:
            for number in range(times):
                with desk.room.store.writing() as session:
                    session.get_one(CaseRow, 1).changed_at += 1
                    session.add(NoteRow(case_id=1, kind="note", text=f"{who} {number}", who=who, at=0.0))
        except Exception as problem:  # a thread must not fail in silence
            problems.append(problem)

    with desk.room.store.reading() as session:
        before = session.get_one(CaseRow, 1).changed_at
    threads = [threading.Thread(target=write, args=(who,)) for who in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    with desk.room.store.reading() as session:
        assert len(session.scalars(select(NoteRow)).all()) == 4 * times
        assert session.get_one(CaseRow, 1).changed_at - before == 4 * times, "no change was lost"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A desk in a process of its own for the tests of one file, ended as a person ends it."""
    made = Served(tmp_path_factory.mktemp("desk") / "desk")
    made.start()
    yield made
    made.end()
