"""The desk's memory: a database that two people may use at once and that a crash leaves whole.

SQLite by default: write-ahead log, full synchronisation before a write is acknowledged, foreign keys on, a
writer waits for the other. With another SQLAlchemy address (PostgreSQL) a writer takes one lock for the whole
database first, so that writers come one after the other there too.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, func, select
from sqlalchemy.orm import Session

from audiodiag.desk.migrating import bring_to_newest
from audiodiag.desk.tables import DeedRow

__all__ = ["Store", "record_deed"]

BUSY_S = 20
DATABASE_FILE = "desk.sqlite"
WRITERS_LOCK = 84_271_906
"""Any number that no other program beside this one locks in the same database."""


class Store:
    """Opens the database of a folder (or of an address) and brings it to the newest form.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     store = Store(Path(folder))
    ...     store.damage()
    ...     store.close()
    ()
    """

    def __init__(self, folder: Path, *, address: str | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.address = address or f"sqlite:///{folder / DATABASE_FILE}"
        self.lite = self.address.startswith("sqlite")
        self._engine = create_engine(
            self.address, connect_args={"timeout": BUSY_S, "check_same_thread": False} if self.lite else {}
        )
        if self.lite:
            event.listen(self._engine, "connect", _set_up)
            event.listen(self._engine, "begin", _begin)
        self._writer = self._engine.execution_options(writes=True)
        with self._writer.begin() as connection:
            self._one_at_a_time(connection)
            bring_to_newest(connection)

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Look at one consistent state; nothing is written."""
        with Session(self._engine, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Change things all together or not at all; what was committed outlives a crash."""
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            self._one_at_a_time(session)
            yield session

    def _one_at_a_time(self, connection: Connection | Session) -> None:
        """Wait for the other writer; SQLite does so by itself."""
        if self._engine.dialect.name == "postgresql":
            connection.execute(select(func.pg_advisory_xact_lock(WRITERS_LOCK)))

    def damage(self) -> tuple[str, ...]:
        """Give what the database's own check complains of; nothing where it is whole."""
        if not self.lite:
            return ()
        with self._engine.connect() as connection:
            said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check")]
            said += [str(tuple(row)) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
        return tuple(line for line in said if line != "ok")

    def close(self) -> None:
        """Give all connections back."""
        self._engine.dispose()


def record_deed(
    session: Session, who: str, what: str, *, case_id: int | None = None, details: str = ""
) -> None:
    """Write down who did what, in the same transaction as the deed itself."""
    session.add(DeedRow(case_id=case_id, who=who, what=what, details=details[:2000], at=time.time()))


def _set_up(connection: Any, _: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    for setting in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        f"busy_timeout={BUSY_S * 1000}",
        "trusted_schema=OFF",
    ):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _begin(connection: Any) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
