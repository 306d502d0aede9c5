"""Bleed watches and courses over time: asked for, done, kept; and a database of the first step."""

from __future__ import annotations

import json
import time

import pytest
from sqlalchemy import create_engine, select

from audiodiag.desk.casework import ask_comparison, ask_watch, number_told
from audiodiag.desk.labour import carry_out
from audiodiag.desk.migrating import bring_to_newest
from audiodiag.desk.tables import CaseRow, ComparisonRow, JobRow, RecordingRow
from audiodiag.errors import UsageError
from audiodiag.resources import shipped_folder

DEMO = shipped_folder("recordings_demo")
LIMITS = {"memory_bytes": 4 << 30, "cpu_s": 3600, "turns": 1, "files": 256, "output_bytes": 256 << 20}


def _asked(desk, key, kind, recordings, **told):
    with desk.room.store.writing() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == key))
        return ask_watch(session, "x", case, kind, recordings, most_waiting=9, **told)


@pytest.mark.parametrize(
    ("kind", "recordings", "told", "word"),
    [
        ("bleed", [], {}, "1 to 8"),
        ("bleed", [1, 1], {}, "each once"),
        ("bleed", [77], {}, "of this case"),
        ("trend", [1, 2], {}, "3 to 24"),
        ("trend", [1, 2, 3], {"at": [1.0]}, "every recording needs"),
    ],
)
def test_what_cannot_be_watched_is_refused(desk, kind, recordings, told, word):
    key = desk.case()
    for _ in range(3):
        desk.recording(key)
    with pytest.raises(UsageError, match=word):
        _asked(desk, key, kind, recordings, **told)
    with desk.room.store.reading() as session:
        assert session.scalars(select(ComparisonRow)).all() == []


@pytest.mark.parametrize(
    "said", ["1_000", "\u0661\u0662", "\uff11\uff12", "\u22125", "1\u00a0000", "nan", "9" * 5000]
)
def test_grouped_digits_and_those_of_another_script_are_no_number(said):
    """As on the command line, in tables and in marks."""
    with pytest.raises(UsageError, match="the length cannot be used"):
        number_told(said, "the length")


def test_course_without_places_goes_by_the_days_of_arrival(desk):
    key = desk.case()
    numbers = [desk.recording(key) for _ in range(3)]
    with desk.room.store.writing() as session:
        for day, number in enumerate(numbers):
            session.get_one(RecordingRow, number).received_at = 1000.0 + 86400.0 * 10 * day
    row = _asked(desk, key, "trend", numbers)
    assert json.loads(row.settings) == {"at": [0.0, 10.0, 20.0], "unit": "day"}
    with desk.room.store.reading() as session:
        assert session.scalars(select(JobRow.kind).where(JobRow.state == "queued")).all() == ["trend"]


def _order(kind, names, settings):
    told = [
        {"side": "before", "name": name, "path": str(DEMO / name), "steering": "", "speed_rpm": None}
        for name in names
    ]
    return {
        "kind": kind,
        "sender": "-",
        "car": {},
        "recordings": told,
        "settings": settings,
        "limits": LIMITS,
    }


def test_worker_watches_and_follows(tmp_path):
    """In processes of their own, for a worker bounds itself for good."""
    import multiprocessing

    names = ["09_before_fluid_change.m4a", "10_after_fluid_change.m4a"]
    for kind, some, settings, schema in (
        ("bleed", names[:1], {"cycle_s": 4.0}, "audiodiag/bleed/1"),
        ("trend", [*names, names[1]], {"at": [0.0, 30.0, 60.0], "unit": "day"}, "audiodiag/trend/1"),
    ):
        folder = tmp_path / kind
        folder.mkdir()
        (folder / "order.json").write_text(json.dumps(_order(kind, some, settings)))
        worker = multiprocessing.get_context("spawn").Process(target=carry_out, args=(folder,))
        worker.start()
        worker.join(240)
        assert worker.exitcode == 0
        result = json.loads((folder / "result.json").read_text())
        assert result["comparison"]["schema"] == schema
        assert len(result["comparison"]["clips"]) == len(some)
        if kind == "bleed":
            told = result["comparison"]
            assert told["sentence"] in told["said"]
            assert told["advice"]
            assert not any(line.startswith("Air index") for line in told["advice"])


def test_database_of_the_first_step_keeps_its_comparisons(tmp_path):
    from alembic.config import Config

    from audiodiag.desk import migrating

    engine = create_engine(f"sqlite:///{tmp_path / 'old.sqlite'}")
    config: Config = migrating._config()
    with engine.begin() as connection:
        bring_to_newest(connection)
        from alembic.runtime.environment import EnvironmentContext

        script = migrating._steps()
        with EnvironmentContext(
            config, script, fn=lambda revision, _: script._downgrade_revs("0001", revision)
        ) as environment:
            environment.configure(connection=connection, render_as_batch=True)
            environment.run_migrations()
        assert migrating.revision_of(connection) == "0001"
        connection.exec_driver_sql("INSERT INTO cars (id, renewed) VALUES (1, '')")
        connection.exec_driver_sql(
            "INSERT INTO cases (id, key, title, words, state, cannot_drive, car_id, made_at, changed_at) "
            "VALUES (1, 'k', 't', '', 'open', 0, 1, 0, 0)"
        )
        connection.exec_driver_sql(
            "INSERT INTO comparisons (id, case_id, before, after, version, made_at, result) "
            "VALUES (1, 1, '[1]', '[2]', '', 0, '')"
        )
        bring_to_newest(connection)
        kept = connection.exec_driver_sql("SELECT kind, settings, after FROM comparisons").all()
    engine.dispose()
    assert [tuple(row) for row in kept] == [("compare", "{}", "[2]")]


@pytest.mark.parametrize(
    ("at", "unit", "head", "cells"),
    [
        ([64000.0, 1234567.0, 70000.5], "mileage", "Mileage", ("64000 km", "1234567 km", "70000.5 km")),
        ([1.0, 2.0, 40.0], "day", "Day", ("day 1", "day 2", "day 40")),
        ([], "day", "Day", ("day 0 (%Y-%m-%d)", "day 10 (%Y-%m-%d)", "day 20 (%Y-%m-%d)")),
    ],
)
def test_every_point_of_a_course_has_its_unit(desk, at, unit, head, cells):
    key = desk.case()
    numbers = [desk.recording(key) for _ in range(3)]
    with desk.room.store.writing() as session:
        for day, number in enumerate(numbers):
            session.get_one(RecordingRow, number).received_at = 86400.0 * (10 + 10 * day)
    row = _asked(desk, key, "trend", numbers, at=at, unit=unit)
    levels = {"level_db": None, "low_db": None, "high_db": None, "heard": False}
    places = json.loads(row.settings)["at"]
    points = [{"file": f"{place}.m4a", "at": place, **levels} for place in places]
    symptoms = [{"name": "pump_whine", "text": "heard in 1 of 3 recordings", "points": points}]
    told = {"axis": head.lower(), "unit": "km" if unit == "mileage" else "day", "symptoms": symptoms}
    with desk.room.store.writing() as session:
        session.get_one(ComparisonRow, row.id).result = json.dumps(told)
    page = desk.advisor().get(f"/cases/{key}/compare").text
    assert f'<th scope="col">{head}</th>' in page
    for day, cell in zip((10, 20, 30), cells, strict=True):
        assert f"<td>{time.strftime(cell, time.localtime(86400.0 * day))}</td>" in page


def test_changes_that_can_be_told_stand_first_on_the_page(desk):
    key = desk.case()
    numbers = [desk.recording(key) for _ in range(2)]
    with desk.room.store.writing() as session:
        case = session.scalar(select(CaseRow).where(CaseRow.key == key))
        row = ask_comparison(session, "x", case, numbers[:1], numbers[1:], one_phone=False, most_waiting=9)
    levels = {"change_db": None, "low_db": None, "high_db": None}
    symptoms = [
        {"name": name, "verdict": word, "text": text, **levels}
        for name, word, text in (
            ("pump_whine", "cannot_tell", "pump whine: CANNOT TELL, it is not heard on either side"),
            ("cavitation_groan", "cannot_tell", "cavitation groan: CANNOT TELL, too short"),
            ("belt_squeal", "gone", "belt squeal: GONE after"),
            ("belt_chirp", "cannot_tell", "belt chirp: CANNOT TELL, it is not heard on either side"),
        )
    ]
    with desk.room.store.writing() as session:
        session.get_one(ComparisonRow, row.id).result = json.dumps({"symptoms": symptoms})
    page = desk.advisor().get(f"/cases/{key}/compare").text
    assert page.index("belt squeal: GONE") < page.index("cavitation groan: CANNOT TELL, too short")
    assert page.count("CANNOT TELL") == 1
    assert "Cannot tell, not heard on either side: pump whine, belt chirp." in page
