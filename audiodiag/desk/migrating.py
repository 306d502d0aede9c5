"""Bring a desk's database to the newest form, step by step, inside one transaction each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.engine import Connection

from audiodiag.errors import UsageError

__all__ = ["bring_to_newest", "newest_revision", "revision_of"]


def newest_revision() -> str:
    """Give the name of the newest step.

    >>> newest_revision()
    '0004'
    """
    head = _steps().get_current_head()
    assert head is not None
    return head


def revision_of(connection: Connection) -> str | None:
    """Give the step at which a database stands; None for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def bring_to_newest(connection: Connection) -> None:
    """Run the steps that a database lacks.

    Raises ``UsageError`` where the database was made by a newer version of the program.
    """
    script = _steps()
    stands = revision_of(connection)
    if stands is not None and stands not in {step.revision for step in script.walk_revisions()}:
        raise UsageError(
            "the desk's database was made by a newer version of the program",
            got=f"step {stands}",
            allowed=f"up to step {script.get_current_head()}",
            todo="bring audiodiag up to date, or name another folder",
        )

    def steps(revision: Any, context: Any) -> Any:
        return script._upgrade_revs("head", revision)

    with EnvironmentContext(_config(), script, fn=steps) as environment:
        environment.configure(connection=connection, render_as_batch=True)
        environment.run_migrations()


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def _steps() -> ScriptDirectory:
    return ScriptDirectory.from_config(_config())
