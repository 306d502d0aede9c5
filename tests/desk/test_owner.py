"""The owner's pages without a browser: forms sent twice, parcels by a form, states empty or failed."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from audiodiag.desk.jobs import end_with_failure, take_next
from audiodiag.desk.tables import CaseRow, JobRow, NoteRow, RecordingRow


def test_form_sent_again_after_a_lost_answer_is_taken_once(desk):
    key = desk.case()
    client = desk.advisor()
    form = {"text": "called the workshop", "once": "a1"}
    first = client.post(f"/cases/{key}/notes", data=form)
    again = client.post(f"/cases/{key}/notes", data=form)
    assert first.headers["location"] == again.headers["location"]
    client.post(f"/cases/{key}/notes", data=form | {"once": "a2"})
    with desk.room.store.reading() as session:
        assert len(session.scalars(select(NoteRow)).all()) == 2


def test_case_opened_again_after_a_lost_answer_is_the_same_case(desk):
    client = desk.advisor()
    places = {
        client.post("/new", data={"title": "the van", "once": "b"}).headers["location"] for _ in range(3)
    }
    assert len(places) == 1
    with desk.room.store.reading() as session:
        assert len(session.scalars(select(CaseRow)).all()) == 1


def test_mark_of_a_refused_form_may_be_used_again(desk):
    key = desk.case()
    client = desk.advisor()
    assert client.post(f"/cases/{key}/notes", data={"text": " ", "once": "c"}).status_code == 422
    assert client.post(f"/cases/{key}/notes", data={"text": "words", "once": "c"}).status_code == 303


@pytest.mark.parametrize("other", ["/cases/{key}/answers", "/cases/{other}/notes"])
def test_mark_counts_for_one_place_only(desk, other):
    key, second = desk.case(), desk.case("other")
    client = desk.advisor()
    client.post(f"/cases/{key}/notes", data={"text": "words", "once": "d"})
    place = other.replace("{key}", key).replace("{other}", second)
    sent = client.post(place, data={"text": "words", "saw.fluid_level": "low", "once": "d"})
    assert sent.status_code == 303
    assert sent.headers["location"].startswith(place.rpartition("/")[0])


def test_parcel_by_a_plain_form_is_asked_to_be_opened_not_listened_to(desk):
    key = desk.case()
    client = desk.advisor()
    files = {"recording": ("parcel.zip", b"PK\x03\x04" + b"x" * 50)}
    sent = client.post(f"/cases/{key}/recordings", files=files)
    assert sent.headers["location"] == f"/cases/{key}/papers?said=parcel"
    with desk.room.store.reading() as session:
        assert session.scalars(select(RecordingRow)).all() == []
        assert [job.kind for job in session.scalars(select(JobRow))] == ["unpack"]
    page = client.get(f"/cases/{key}/papers").text
    assert "parcel.zip" in page
    assert "Waits for its turn" in page


def test_parcel_that_is_refused_says_why_on_both_pages(desk):
    key = desk.case()
    client = desk.advisor()
    client.post(f"/cases/{key}/recordings", files={"recording": ("p.zip", b"PK\x03\x04x")})
    refusal = {"what": "the parcel is not whole", "got": "x", "allowed": "y", "todo": "ask for it anew"}
    for _ in range(2):
        end_with_failure(desk.room.store, take_next(desk.room.store), refusal, attempts=2)
    for place in (f"/cases/{key}", f"/cases/{key}/papers"):
        page = client.get(place).text
        assert "The parcel is not whole" in page
        assert "ask for it anew" in page


def test_refusal_names_the_file_as_its_sender_knows_it(desk):
    key = desk.case()
    desk.recording(key, listened=False, file_name="yard 7.m4a")
    with desk.room.store.reading() as session:
        sha256 = session.scalar(select(RecordingRow)).sha256
    refusal = {"what": f"{sha256} cannot be opened by PyAV", "got": "x", "allowed": "y", "todo": "z"}
    for _ in range(2):
        end_with_failure(desk.room.store, take_next(desk.room.store), refusal, attempts=2)
    page = desk.advisor().get(f"/cases/{key}").text
    assert "Yard 7.m4a cannot be opened by PyAV" in page
    assert f"{sha256} cannot" not in page


def test_empty_case_says_what_to_do_first(desk):
    page = desk.advisor().get(f"/cases/{desk.case()}").text
    assert page.index("Record now, step by step") < page.index("What it may be")


def test_papers_tick_only_what_was_listened_to(desk):
    key = desk.case()
    first = desk.recording(key, content=b"one", file_name="first.m4a")
    second = desk.recording(key, content=b"two", file_name="second.m4a", listened=False)
    page = desk.advisor().get(f"/cases/{key}/papers").text
    assert f'value="{first}" checked' in page
    assert f'value="{second}" checked' not in page
    assert "not listened to (yet)" in page
