"""What the bench, the inbox and the workshop do, through the application and without a browser."""

from __future__ import annotations

import json
import time

import pytest
from sqlalchemy import event, select

from audiodiag.classifier.labels import read_labels, workshop_rows
from audiodiag.desk.casework import open_case
from audiodiag.desk.jobs import end_with_failure, take_next
from audiodiag.desk.tables import AnalysisRow, CaseRow, ComparisonRow, RecordingRow
from audiodiag.desk.visitors import Visitor, case_link
from audiodiag.records import SYMPTOMS
from audiodiag.report.language import load_sentences
from audiodiag.resources import shipped_folder
from tests.desk.conftest import made_up_result

DEMO = shipped_folder("recordings_demo")
NOTHING = dict.fromkeys(SYMPTOMS, "")


def _judge(client, key, number, verdict="", **judged):
    body = {**NOTHING, **judged, "verdict": verdict}
    return client.put(f"/api/1/cases/{key}/recordings/{number}/judgement", json=body)


def test_a_persons_verdict_stands_before_the_programs(desk):
    key = desk.case()
    number = desk.recording(key)
    client = desk.advisor("Ada")
    programs = made_up_result()["analysis"]["verdict"]["text"]
    assert programs in client.get(f"/cases/{key}").text
    assert _judge(client, key, number, "normal", **dict.fromkeys(SYMPTOMS, "absent")).status_code == 200
    page = client.get(f"/cases/{key}").text
    assert "Ada hears nothing wrong" in page
    assert programs not in page
    bench = client.get(f"/cases/{key}/bench/{number}").text
    assert f"The program said: {programs}".replace("'", "&#39;") in bench
    assert "nothing wrong is heard" in client.get("/inbox").text
    assert client.get(f"/api/1/cases/{key}/recordings/{number}/judgement").json()["verdict"] == "normal"
    assert _judge(client, key, number, belt_squeal="heard").status_code == 200
    assert programs in client.get(f"/cases/{key}").text


@pytest.mark.parametrize(
    ("verdict", "judged"),
    [
        ("normal", {"belt_squeal": "heard"}),
        ("cannot_tell", {"belt_squeal": "absent"}),
        ("not_an_engine_bay", {"belt_squeal": "heard"}),
        ("symptoms", dict.fromkeys(SYMPTOMS, "absent")),
    ],
)
def test_a_verdict_against_its_sounds_is_refused(desk, verdict, judged):
    key = desk.case()
    number = desk.recording(key)
    client = desk.advisor()
    answer = _judge(client, key, number, verdict, **judged)
    assert answer.status_code == 422
    assert "contradict" in answer.json()["error"]["what"]
    assert client.get(f"/api/1/cases/{key}/recordings/{number}/judgement").json() == {
        **NOTHING,
        "verdict": "",
    }


def test_judgements_at_the_bench_become_training_rows(desk):
    """From the bench to what ``audiodiag train --add`` reads: the labels fit, the clip can be measured."""
    key = desk.case()
    client = desk.advisor()
    client.post(f"/cases/{key}/car", data={"cylinders": "4"})
    content = (DEMO / "05_belt_squeal.mp3").read_bytes()
    number = desk.recording(key, content=content, file_name="meier.mp3")
    _judge(client, key, number, "symptoms", belt_squeal="heard", pump_whine="absent")
    (labels,) = read_labels(desk.room.labels_folder)
    assert (labels.heard, labels.absent, labels.cylinders) == (("belt_squeal",), ("pump_whine",), 4)
    assert labels.clip.read_bytes() == content
    assert "meier" not in "".join(str(path) for path in desk.room.labels_folder.iterdir())
    (row,) = workshop_rows(desk.room.labels_folder)
    assert {name: word for name, word in row.present.items() if word is not None} == {
        "belt_squeal": True,
        "pump_whine": False,
    }
    assert row.measurements
    _judge(client, key, number, "cannot_tell")
    assert list(desk.room.labels_folder.iterdir()) == [], "what is taken back is no label any more"


def test_own_work_is_not_news_and_next_follows_the_inbox(desk):
    keys = [desk.case(f"car {number}", cannot_drive=number == 2) for number in range(3)]
    recordings = [desk.recording(key) for key in keys]
    client = desk.advisor()
    for key, number in zip(keys, recordings, strict=True):
        client.get(f"/cases/{key}/bench/{number}")
    assert 'class="chip new"' not in client.get("/inbox").text
    _judge(client, keys[0], recordings[0], belt_squeal="heard")
    assert 'class="chip new"' not in client.get("/inbox").text
    order = []
    place = f"/cases/{keys[2]}/next"
    for _ in range(3):
        place = client.get(place).headers["location"]
        order.append(place.split("/")[2])
        place = f"/cases/{order[-1]}/next"
    assert order == [keys[1], keys[0], keys[2]], "grave first, then the oldest change, then from the start"
    for key in keys[:2]:
        client.post(f"/cases/{key}/reply", data={"text": "Look."})
    assert client.get(f"/cases/{keys[2]}/next").headers["location"] == "/inbox?said=last"


def test_inbox_of_many_cases_asks_little_and_hides_nothing_urgent(desk):
    """210 cases: a handful of queries, the long results read once, and an old urgent case on top."""
    grave = desk.case("the oldest and gravest", cannot_drive=True)
    first = desk.recording(desk.case("car 000"))
    with desk.room.store.writing() as session:
        result = session.scalar(select(AnalysisRow)).result
        for number in range(1, 210):
            case = open_case(session, "x", title=f"car {number:03d}")
            told = session.get_one(RecordingRow, first)
            recording = RecordingRow(
                case_id=case.id, sha256=told.sha256, size_bytes=1, file_name="x.m4a", received_at=1.0
            )
            session.add(recording)
            session.flush()
            row = AnalysisRow(
                recording_id=recording.id,
                version="0",
                made_at=float(number),
                verdict="symptoms",
                result=result,
            )
            session.add(row)
    client = desk.advisor()
    client.get("/inbox")
    asked = []
    event.listen(desk.room.store._engine, "before_cursor_execute", lambda *told: asked.append(told[2]))
    begun = time.perf_counter()
    page = client.get("/inbox").text
    taken_s = time.perf_counter() - begun
    assert page.count('class="letter') == 200
    assert "Only the first 200" in page
    assert page.index("the oldest and gravest") < page.index("car 0")
    assert len(asked) < 30
    assert not any("analyses.result" in each for each in asked), "nothing is read twice"
    assert taken_s < 3.0
    assert '<span class="num" data-count="open">211</span>' in page
    assert grave in client.get("/inbox?show=urgent").text


def test_oily_belt_and_fluid_at_the_pump_are_urgent(desk):
    for answer in ({"saw.belt_look": "glazed_or_oily"}, {"saw.fresh_leak": "at_the_pump"}):
        key = desk.case(str(answer))
        client = desk.advisor()
        client.post(f"/cases/{key}/answers", data=answer)
        assert key in client.get("/inbox?show=urgent").text


def test_workshop_asks_for_all_three_and_says_what_fails(desk):
    key = desk.case()
    numbers = [desk.recording(key, file_name=f"clip{number}.m4a") for number in range(3)]
    client = desk.advisor()
    place = f"/cases/{key}/compare"
    assert "Nothing has been compared" in client.get(place).text
    some = [str(number) for number in numbers]
    client.post(place, data={"kind": "bleed", "recording": some[:2], "cycle_s": "12,5"})
    days = {f"at.{number}": str(9 - number) for number in numbers}
    client.post(place, data={"kind": "trend", "recording": some, "unit": "mileage", **days})
    client.post(place, data={"kind": "compare", "side.1": "before", "side.2": "after"})
    page = client.get(place).text
    assert page.count("Waits for its turn.") == 3
    with desk.room.store.reading() as session:
        rows = {row.kind: row for row in session.scalars(select(ComparisonRow))}
    assert json.loads(rows["bleed"].settings) == {"cycle_s": 12.5}
    assert json.loads(rows["trend"].settings)["unit"] == "mileage"
    assert json.loads(rows["trend"].settings)["at"] == sorted(json.loads(rows["trend"].settings)["at"])
    assert json.loads(rows["trend"].before) == numbers[::-1], "in the order of the mileage"
    some_places = client.post(place, data={"kind": "trend", "recording": some, "at.1": "4"})
    assert some_places.status_code == 422
    assert "every recording needs" in some_places.text.lower()
    assert client.post(place, data={"kind": "bleed", "cycle_s": "soon"}).status_code == 422
    words = {"what": "no sound", "got": "x", "allowed": "y", "todo": "record again"}
    end_with_failure(desk.room.store, take_next(desk.room.store), words, attempts=1)
    page = client.get(place).text
    assert "record again" in page
    assert "Try again" in page


def test_owner_of_the_case_may_compare_but_not_sit_at_the_bench(desk):
    key = desk.case()
    number = desk.recording(key)
    with desk.room.store.reading() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == key))
    _, link = case_link(desk.room.signer, desk.room.store, case.id, days=1, who="x")
    owner = desk.client(Visitor("owner", "owner", (link.id,)))
    assert owner.get(f"/cases/{key}/compare").status_code == 200
    for place in (f"/cases/{key}/bench/{number}", f"/cases/{key}/next", "/inbox"):
        assert owner.get(place).status_code == 404
    assert _judge(owner, key, number, "normal").status_code == 403


@pytest.mark.parametrize(("probability", "rare"), [(0.3, True), (0.9, False), (0.1, False)])
def test_case_page_says_of_a_rare_sound_what_the_report_page_says(desk, probability, rare):
    key = desk.case()
    number = desk.recording(key)
    told = made_up_result()
    texts = [f"The longest high tone lasts {n}.0 s. This speaks for it." for n in range(4)]
    sound = told["analysis"]["symptoms"][2]
    sound |= {"probability": probability, "evidence": [{"text": text} for text in texts]}
    for other in (each for each in told["analysis"]["symptoms"] if each is not sound):
        other["probability"] = 0.01
    with desk.room.store.writing() as session:
        row = session.scalar(select(AnalysisRow).where(AnalysisRow.recording_id == number))
        row.result = json.dumps(told)
    page = desk.advisor().get(f"/cases/{key}").text
    assert (load_sentences("en").say("sure.rare") in page) is rare
    assert page.count("The longest high tone lasts") == (3 if probability > 0.25 else 0)
