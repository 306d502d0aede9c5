"""The three people's pages, through the application: what they show, what becomes of what is sent."""

from __future__ import annotations

import tomllib

import pytest
from sqlalchemy import select

from audiodiag.classifier.labels import read_labels
from audiodiag.desk.app import PAGES
from audiodiag.desk.jobs import end_with_failure, take_next
from audiodiag.desk.tables import CaseRow, DeedRow, LabelRow, NoteRow, RecordingRow
from audiodiag.desk.visitors import Visitor, case_link
from tests.desk.conftest import send


def test_every_page_answers_an_advisor(desk):
    key = desk.case(words="Squeals <when> parking", cannot_drive=True)
    first = desk.recording(key, purpose="before")
    desk.recording(key, purpose="after")
    client = desk.advisor()
    client.post("/blocks", data={"title": "Belt", "text": "Look at the belt first, engine off."})
    client.post(f"/cases/{key}/compare", data={"side.1": "before", "side.2": "after"})
    for method, address, _, _ in PAGES:
        if method == "GET" and "sounds" not in address and "files" not in address:
            place = address.replace("{key}", key).replace("{recording:int}", str(first))
            answer = client.get(place, follow_redirects=True)
            assert answer.status_code == 200, place
            if "json" not in answer.headers["content-type"]:
                assert "<h1>" in answer.text or "recordings" in place
                assert "<script>" not in answer.text, "no script inside a page"
                assert " style=" not in answer.text, "no style inside a page"
                assert "http://" not in answer.text.replace("http://www.w3.org", "")


def test_owner_opens_a_case_and_cautions_come_first(desk):
    client = desk.advisor()
    form = client.get("/new").text
    assert form.index("exhaust gas kills") < form.index('name="title"')
    sent = client.post("/new", data={"title": "the blue van", "words": "Groans", "cylinders": "4"})
    assert sent.status_code == 303
    page = client.get(sent.headers["location"]).text
    assert "The case is open" in page
    assert page.index("Take care first") < page.index("What is heard")
    assert "4 cylinders" in page


def test_questions_move_the_causes_and_can_be_taken_back(desk):
    key = desk.case()
    client = desk.advisor()
    empty = client.get(f"/cases/{key}").text
    assert "Nothing is known yet" in empty
    client.post(f"/cases/{key}/answers", data={"saw.fluid_level": "low", "saw.fluid_bubbles": "foam"})
    page = client.get(f"/cases/{key}").text
    assert "the fluid stands too low" in page
    assert "Low or foaming fluid" in page or "foaming" in page
    client.post(f"/cases/{key}/answers", data={"saw.fluid_level": "", "saw.fluid_bubbles": ""})
    assert "Nothing is known yet" in client.get(f"/cases/{key}").text


def test_an_answer_that_does_not_exist_is_refused_in_words(desk):
    key = desk.case()
    answer = desk.advisor().post(f"/cases/{key}/answers", data={"saw.fluid_level": "purple"})
    assert answer.status_code == 422
    for word in ("Got", "Allowed", "What to do", "right, low"):
        assert word in answer.text


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("cylinders", "four", "whole number"),
        ("vanes", "3", "4 to 20"),
        ("age_years", "-4", "0 to"),
        ("renewed", "wheels", "not known"),
    ],
)
def test_what_cannot_be_true_of_a_car_is_refused(desk, field, value, word):
    key = desk.case()
    answer = desk.advisor().post(f"/cases/{key}/car", data={field: value})
    assert answer.status_code == 422
    assert word in answer.text


def test_the_car_is_kept(desk):
    key = desk.case()
    client = desk.advisor()
    sent = client.post(
        f"/cases/{key}/car",
        data={"cylinders": "4", "crank_pulley_mm": "150,5", "age_years": "17", "renewed": ["belt", "pump"]},
    )
    assert sent.status_code == 303
    page = client.get(f"/cases/{key}/car").text
    assert 'value="150.5"' in page
    assert page.count("checked") == 2


def test_result_page_says_what_how_sure_and_what_next(desk):
    key = desk.case()
    desk.recording(key)
    page = desk.advisor().get(f"/cases/{key}").text
    for word in ("simulated clip", "belt squeal", "%", "Look at next", "do not drive", "clip.m4a"):
        assert word in page


def test_advisor_corrects_and_the_labels_can_be_trained_on(desk):
    key = desk.case()
    recording = desk.recording(key, content=b"sound of the clip", file_name="../x.m4a")
    client = desk.advisor("the advisor")
    client.post(f"/cases/{key}/car", data={"cylinders": "6"})
    sent = client.post(
        f"/cases/{key}/bench/{recording}/judged",
        data={"judged.belt_squeal": "heard", "judged.pump_whine": "absent", "judged.relief_hiss": ""},
    )
    assert sent.status_code == 303
    (label,) = read_labels(desk.room.labels_folder)
    assert (label.heard, label.absent, label.cylinders) == (("belt_squeal",), ("pump_whine",), 6)
    assert label.clip.read_bytes() == b"sound of the clip"
    assert tomllib.loads(next(desk.room.labels_folder.glob("*.toml")).read_text())["car"] == "case 1"
    assert "the advisor says: heard" in client.get(f"/cases/{key}").text
    client.post(f"/cases/{key}/bench/{recording}/judged", data={})
    assert list(desk.room.labels_folder.iterdir()) == []


def test_advisor_marks_and_takes_away(desk):
    key = desk.case()
    recording = desk.recording(key)
    client = desk.advisor()
    place = f"/cases/{key}/bench/{recording}"
    client.post(f"{place}/marks", data={"symptom": "belt_squeal", "start_s": "1.5", "end_s": "2,5"})
    assert "1.50 to 2.50 s" in client.get(place).text
    bad = client.post(f"{place}/marks", data={"symptom": "belt_squeal", "start_s": "3", "end_s": "2"})
    assert bad.status_code == 422
    client.post(f"{place}/marks/1/remove")
    assert "1.50 to 2.50 s" not in client.get(place).text


def test_advisor_answers_and_goes_to_the_next_case(desk):
    keys = [desk.case(f"car {number}") for number in range(2)]
    recordings = [desk.recording(key) for key in keys]
    client = desk.advisor()
    sent = client.post(f"/cases/{keys[0]}/reply", data={"text": "Look at the belt.", "then": "next"})
    onwards = client.get(sent.headers["location"])
    assert onwards.headers["location"] == f"/cases/{keys[1]}/bench/{recordings[1]}"
    owner = desk.client(_owner(desk, keys[0]))
    page = owner.get(f"/cases/{keys[0]}").text
    assert "Look at the belt." in page
    assert "answered" in page


def test_inbox_sorts_by_how_much_a_case_presses(desk):
    calm, grave = desk.case("calm car"), desk.case("grave car", cannot_drive=True)
    client = desk.advisor()
    page = client.get("/inbox").text
    assert page.index("grave car") < page.index("calm car")
    assert page.count('class="chip new"') == 2
    client.get(f"/cases/{calm}")
    assert client.get("/inbox").text.count('class="chip new"') == 1
    assert "calm car" not in client.get("/inbox?show=urgent").text
    assert "grave car" not in client.get("/inbox?words=calm").text
    client.post(f"/cases/{grave}/state", data={"state": "closed"})
    assert "grave car" not in client.get("/inbox").text
    assert "grave car" in client.get("/inbox?show=closed").text


def test_owner_sees_own_case_only(desk):
    own, other = desk.case("own"), desk.case("other")
    recording = desk.recording(other)
    owner = desk.client(_owner(desk, own))
    assert owner.get("/").headers["location"] == f"/cases/{own}"
    assert owner.get(f"/cases/{own}").status_code == 200
    for place in (
        f"/cases/{other}",
        f"/cases/{other}/sounds/{recording}",
        f"/cases/{own}/sounds/{recording}",
        "/inbox",
        "/blocks",
        f"/cases/{own}/bench/{recording}",
        f"/api/1/cases/{other}/jobs",
    ):
        assert owner.get(place).status_code == 404, place


def test_failed_recording_says_why(desk):
    key = desk.case()
    desk.recording(key, listened=False)
    attempt = take_next(desk.room.store)
    refusal = {"what": "it broke", "got": "x", "allowed": "y", "todo": "z"}
    assert end_with_failure(desk.room.store, attempt, refusal, attempts=2), "tried once more"
    attempt = take_next(desk.room.store)
    assert not end_with_failure(desk.room.store, attempt, refusal, attempts=2)
    assert "It broke" in desk.advisor().get(f"/cases/{key}").text


def test_upload_is_whole_on_disk_before_it_is_acknowledged(desk):
    key = desk.case()
    client = desk.advisor()
    sent = send(client, key, b"x" * 3_000_000, name="a.m4a", purpose="before", steering="centre 0-2")
    assert sent.status_code == 201
    told = sent.json()
    assert desk.room.vault.path_of(told["sha256"]).stat().st_size == 3_000_000
    assert desk.room.vault.missing({told["sha256"]}) == set()
    with desk.room.store.reading() as session:
        row = session.scalar(select(RecordingRow))
        assert (row.purpose, row.steering) == ("before", "centre 0-2")
    again = client.post(f"/cases/{key}/recordings", files={"recording": ("b.m4a", b"y" * 10)})
    assert again.status_code == 303
    assert list((desk.settings.folder / "arriving").iterdir()) == []


def test_deeds_are_written_down_with_names(desk):
    key = desk.case()
    client = desk.advisor("the second advisor")
    client.post(f"/cases/{key}/notes", data={"text": "called the workshop"})
    with desk.room.store.reading() as session:
        deeds = session.scalars(select(DeedRow).order_by(DeedRow.id)).all()
    assert [(deed.who, deed.what) for deed in deeds] == [
        ("advisor", "opened the case"),
        ("the second advisor", "wrote a note"),
    ]


def test_a_refused_form_changes_nothing(desk):
    key = desk.case()
    recording = desk.recording(key)
    client = desk.advisor()
    client.post(f"/cases/{key}/bench/{recording}/judged", data={"judged.pump_whine": "perhaps"})
    client.post(f"/cases/{key}/notes", data={"text": "   "})
    with desk.room.store.reading() as session:
        assert session.scalars(select(LabelRow)).all() == []
        assert session.scalars(select(NoteRow)).all() == []
        assert session.scalar(select(CaseRow)).state == "open"


def test_comparison_wants_a_recording_on_each_side(desk):
    key = desk.case()
    desk.recording(key)
    answer = desk.advisor().post(f"/cases/{key}/compare", data={"side.1": "before"})
    assert answer.status_code == 422
    assert "at least one recording on each side" in answer.text


def _owner(desk, key: str) -> Visitor:
    with desk.room.store.reading() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == key))
    _, link = case_link(desk.room.signer, desk.room.store, case.id, days=3, who="advisor")
    return Visitor("owner", "owner", (link.id,), (case.id,))
