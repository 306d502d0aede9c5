"""What workers make beside listening: report, parcel, parts; parcels that come in; files taken in."""

from __future__ import annotations

import json
import os

import pytest
from sqlalchemy import select

from audiodiag.cases import check_parcel
from audiodiag.desk.jobs import Made, end_with_result, take_next
from audiodiag.desk.tables import CaseRow, FileRow, JobRow, NoteRow, RecordingRow
from audiodiag.desk.tasks import ask_parcel, ask_parts, ask_report, ask_unpacking, papers_of, parts_of
from audiodiag.desk.visitors import Visitor, case_link
from audiodiag.errors import ClipError, UsageError
from audiodiag.resources import shipped_folder
from tests.desk.conftest import Desk, wait_for

CLIP = (shipped_folder("recordings_demo") / "12_whine_old_phone.3gp").read_bytes()


@pytest.fixture
def working(tmp_path):
    desk = Desk(tmp_path / "desk", workers=1)
    desk.room.workforce.start()
    yield desk
    desk.room.close()


def _states(desk) -> dict[str, str]:
    with desk.room.store.reading() as session:
        return {job.kind: job.state for job in session.scalars(select(JobRow).order_by(JobRow.id))}


def _ask(desk, key, ask, *args, **told):
    with desk.room.store.writing() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == key))
        return ask(session, "x", case, *args, most_waiting=99, **told)


def _papers(desk, key, kind):
    with desk.room.store.reading() as session:
        return papers_of(session, session.scalar(select(CaseRow).where(CaseRow.key == key)), (kind,))


def test_report_parcel_and_parts_are_made_and_a_parcel_comes_in_again(working):
    desk = working
    key = desk.case()
    number = desk.recording(key, content=CLIP, listened=False, file_name="meier.3gp")
    with desk.room.store.reading() as session:
        recording = session.get_one(RecordingRow, number)
    _ask(desk, key, ask_report, [number], language="de")
    _ask(desk, key, ask_parcel, [number], note="Groans in the cold")
    _ask(desk, key, ask_parts, recording)
    desk.room.workforce.wake()
    wait_for(lambda: set(_states(desk).values()) <= {"done", "failed"})
    assert set(_states(desk).values()) == {"done"}
    (report,) = _papers(desk, key, "report")
    page = desk.room.vault.made_of(report.files[0].sha256).read_text()
    assert '<html lang="de"' in page
    assert "meier" not in page, "the file's name stays at home unless it is wanted"
    (parcel,) = _papers(desk, key, "parcel")
    place = desk.room.vault.made_of(parcel.files[0].sha256)
    assert b"Groans in the cold" in check_parcel(place).files["data/notes.txt"]
    assert parcel.result["clips"][0]["how"] == "copied"
    with desk.room.store.reading() as session:
        parts = parts_of(session, recording)
    assert {file.name for file in parts.files} & {"rest.flac"}

    other = desk.case("stranger")
    with desk.room.vault.incoming() as arriving:
        arriving.write(place.read_bytes())
        sha256 = arriving.keep()
    _ask(desk, other, ask_unpacking, sha256=sha256, file_name="parcel.zip")
    desk.room.workforce.wake()
    wait_for(lambda: _states(desk).get("unpack") == "done" and _states(desk)["listen"] == "done")
    with desk.room.store.reading() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == other))
        (came,) = session.scalars(select(RecordingRow).where(RecordingRow.case_id == case.id)).all()
        assert came.file_name == "recording-01.3gp"
        assert "Groans in the cold" in session.scalar(select(NoteRow.text).where(NoteRow.case_id == case.id))


def test_hostile_parcel_is_refused_in_words(working):
    desk = working
    key = desk.case()
    with desk.room.vault.incoming() as arriving:
        arriving.write(b"PK\x03\x04" + b"x" * 500)
        sha256 = arriving.keep()
    _ask(desk, key, ask_unpacking, sha256=sha256, file_name="evil.zip")
    desk.room.workforce.wake()
    wait_for(lambda: _states(desk)["unpack"] == "failed")
    (paper,) = _papers(desk, key, "unpack")
    assert "damaged or no parcel" in paper.refusal["what"]
    with desk.room.store.reading() as session:
        assert session.scalars(select(RecordingRow)).all() == []


@pytest.mark.parametrize("recordings", [[], [77], list(range(1, 10))])
def test_only_recordings_of_the_case_are_put_together(desk, recordings):
    key = desk.case()
    desk.recording(key)
    with pytest.raises(UsageError, match="cannot be put together"):
        _ask(desk, key, ask_report, recordings)


def test_language_that_is_not_spoken_is_refused(desk):
    key = desk.case()
    number = desk.recording(key)
    with pytest.raises(UsageError, match="does not speak"):
        _ask(desk, key, ask_report, [number], language="xx")


def test_what_a_person_waits_for_comes_before_the_listening(desk):
    key = desk.case()
    number = desk.recording(key, listened=False)
    _ask(desk, key, ask_report, [number])
    assert [take_next(desk.room.store).kind for _ in range(2)] == ["report", "listen"]


def test_parts_are_asked_for_once(desk):
    key = desk.case()
    number = desk.recording(key)
    with desk.room.store.reading() as session:
        recording = session.get_one(RecordingRow, number)
    assert _ask(desk, key, ask_parts, recording) is not None
    assert _ask(desk, key, ask_parts, recording) is None


def test_a_link_or_pipe_that_a_worker_leaves_is_not_taken_in(desk, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text("x")
    (tmp_path / "link").symlink_to(secret)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError):
        desk.room.vault.take_in(tmp_path / "link")
    with pytest.raises(ClipError, match="no file"):
        desk.room.vault.take_in(tmp_path / "pipe")
    assert secret.exists()


def test_a_refused_task_keeps_no_file(desk):
    key = desk.case()
    number = desk.recording(key)
    _ask(desk, key, ask_report, [number])
    attempt = take_next(desk.room.store)
    refusal = {"what": "w", "got": "g", "allowed": "a", "todo": "t"}
    assert end_with_result(desk.room.store, attempt, {"refusal": refusal}, version="0")
    with desk.room.store.reading() as session:
        assert session.scalars(select(FileRow)).all() == []
        assert json.loads(session.scalar(select(JobRow.said).where(JobRow.kind == "report"))) == refusal


def test_owner_asks_for_a_report_and_saves_it_and_nobody_elses(desk):
    key, other = desk.case(), desk.case("other")
    number = desk.recording(key)
    _, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    client = desk.client(Visitor("owner", "owner", (link.id,)))
    sent = client.post(f"/cases/{key}/papers", data={"kind": "report", "recording": str(number)})
    assert sent.status_code == 303
    attempt = take_next(desk.room.store)
    assert attempt.kind == "report"
    left = desk.settings.folder / "left"
    left.write_text("<script>alert(1)</script>")
    sha256, size = desk.room.vault.take_in(left)
    made = Made("report.html", "text/html", sha256, size)
    assert end_with_result(desk.room.store, attempt, {"told": {}}, version="0", made=[made])
    assert "Save report.html" in client.get(f"/cases/{key}/papers").text
    answer = client.get(f"/cases/{key}/files/1")
    assert answer.headers["content-disposition"].startswith("attachment"), "never shown in the desk's name"
    assert answer.text == "<script>alert(1)</script>"
    assert client.get(f"/cases/{other}/files/1").status_code == 404
    assert client.get(f"/cases/{other}/papers").status_code == 404
    assert client.post(f"/cases/{other}/papers", data={"kind": "report"}).status_code == 404
    assert desk.advisor().get(f"/cases/{other}/files/1").status_code == 404, (
        "not under another case's address"
    )


def test_answers_that_newer_knowledge_lacks_are_left_out():
    from audiodiag.desk.labour import _still_known

    kept = _still_known({"fluid_level": "low", "fluid_taste": "sweet", "belt_state": "purple"})
    assert kept == {"fluid_level": "low"}
