"""The desk's memory: migrations, two people at once, recordings that are whole or not there."""

from __future__ import annotations

import pytest
from sqlalchemy import create_engine, inspect, select

from audiodiag.desk.jobs import end_with_result, queue_again_what_ran, take_next
from audiodiag.desk.migrating import bring_to_newest, newest_revision, revision_of
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.settings import DeskSettings
from audiodiag.desk.store import DATABASE_FILE, Store
from audiodiag.desk.tables import AnalysisRow, Base, CaseRow, JobRow
from audiodiag.desk.vault import Vault
from audiodiag.errors import ClipError, UsageError
from tests.desk.conftest import made_up_result, write_at_once


def _described(engine) -> dict:
    """Tables with columns, their kinds and whether they may be empty, indexes and unique rules."""
    seen = inspect(engine)
    return {
        table: (
            sorted((c["name"], str(c["type"]), c["nullable"]) for c in seen.get_columns(table)),
            sorted((i["name"], tuple(i["column_names"])) for i in seen.get_indexes(table)),
            sorted((tuple(u["column_names"])) for u in seen.get_unique_constraints(table)),
            sorted(
                (tuple(f["constrained_columns"]), f["referred_table"]) for f in seen.get_foreign_keys(table)
            ),
        )
        for table in seen.get_table_names()
        if table != "alembic_version"
    }


def test_migrations_make_what_the_tables_say(tmp_path):
    stepped = create_engine(f"sqlite:///{tmp_path / 'a.sqlite'}")
    with stepped.begin() as connection:
        bring_to_newest(connection)
        assert revision_of(connection) == newest_revision()
    said = create_engine(f"sqlite:///{tmp_path / 'b.sqlite'}")
    Base.metadata.create_all(said)
    try:
        assert _described(stepped) == _described(said)
    finally:
        stepped.dispose()
        said.dispose()


def test_database_of_a_newer_program_is_refused(tmp_path):
    store = Store(tmp_path)
    with store.writing() as session:
        session.connection().exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    store.close()
    with pytest.raises(UsageError, match="newer version"):
        Store(tmp_path)


def test_settings_of_sqlite(tmp_path):
    store = Store(tmp_path)
    with store.reading() as session:
        ask = session.connection().exec_driver_sql
        assert ask("PRAGMA journal_mode").scalar() == "wal"
        assert ask("PRAGMA synchronous").scalar() == 2
        assert ask("PRAGMA foreign_keys").scalar() == 1
    store.close()


def test_two_people_at_once_lose_nothing(desk):
    write_at_once(desk, 25)
    assert desk.room.store.damage() == ()


def test_failed_writing_leaves_nothing(desk):
    desk.case()
    with pytest.raises(ZeroDivisionError), desk.room.store.writing() as session:
        session.get_one(CaseRow, 1).title = "changed"
        session.flush()
        1 / 0  # noqa: B018
    with desk.room.store.reading() as session:
        assert session.get_one(CaseRow, 1).title == "the blue van"


def test_a_job_that_was_cut_off_waits_again_and_its_late_worker_changes_nothing(desk):
    desk.recording(desk.case(), listened=False)
    first = take_next(desk.room.store)
    assert take_next(desk.room.store) is None
    assert queue_again_what_ran(desk.room.store) == 1
    assert not end_with_result(desk.room.store, first, made_up_result(), version="0")
    second = take_next(desk.room.store)
    assert second.job_id == first.job_id
    assert end_with_result(desk.room.store, second, made_up_result(), version="0")
    assert not end_with_result(desk.room.store, second, made_up_result(), version="0"), "not twice"
    with desk.room.store.reading() as session:
        assert len(session.scalars(select(AnalysisRow)).all()) == 1
        assert session.scalar(select(JobRow)).state == "done"


def test_one_desk_a_folder(desk):
    with pytest.raises(UsageError, match="another desk has this folder open"):
        DeskRoom(desk.settings)


def test_folder_that_cannot_be(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be used"):
        DeskRoom(DeskSettings(tmp_path / "file" / "desk"))


def test_cut_off_recordings_are_swept_and_kept_ones_stay(tmp_path):
    vault = Vault(tmp_path)
    with vault.incoming() as arriving:
        arriving.write(b"whole")
        kept = arriving.keep()
    (tmp_path / "arriving" / "half").write_bytes(b"ha")
    assert vault.sweep() == 1
    assert vault.missing({kept}) == set()
    vault.path_of(kept).write_bytes(b"rotten")
    assert vault.missing({kept}) == {kept}


@pytest.mark.parametrize("name", ["", "../x", "A" * 64, "a" * 63, "a" * 64 + "/", "a" * 65])
def test_only_hashes_lead_to_files(tmp_path, name):
    with pytest.raises(ClipError, match="no recording's hash"):
        Vault(tmp_path).path_of(name)


def test_a_file_that_is_no_database_is_refused_without_words_on_servers(tmp_path):
    (tmp_path / DATABASE_FILE).write_bytes(b"no database at all" * 100)
    with pytest.raises(UsageError, match="the desk's database cannot be used") as refused:
        Store(tmp_path)
    assert "server" not in str(refused.value) and "free some space" in refused.value.todo
