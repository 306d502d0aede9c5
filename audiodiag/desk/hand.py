"""The desk's folder used from the shell, beside a desk that runs or without one.

Both write one database, which lets one writer in after the other; only the queue needs to be alone, so that
this one works it only where no desk has the folder open.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.casework import add_recording
from audiodiag.desk.keys import Signer, desk_secret
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.settings import DeskSettings
from audiodiag.desk.store import DATABASE_FILE, Store
from audiodiag.desk.tables import CaseRow, JobRow, RecordingRow
from audiodiag.desk.vault import Vault
from audiodiag.errors import AudiodiagError, ClipError, UsageError

__all__ = ["DeskAtHand"]

BLOCK = 1 << 20
POLL_S = 0.2
LEAST_KEY = 4
Tell = Callable[[str], None]


class DeskAtHand:
    """A desk's folder in the hand of whoever may read it; close it at the end.

    Raises ``UsageError`` where there is none and ``make`` does not say that one may be made.
    """

    def __init__(self, settings: DeskSettings, *, make: bool = False) -> None:
        self.settings = settings
        folder = settings.folder
        if not make and settings.database is None and not (folder / DATABASE_FILE).is_file():
            raise UsageError(
                "there is no desk in this folder",
                got=str(folder),
                allowed="the folder of a desk",
                todo='open a case with audiodiag case new "the blue van", or name another one with --folder',
            )
        try:
            self.store = Store(folder, address=settings.database)
            self.vault = Vault(folder, spare_bytes=settings.limits.spare_disk_bytes)
        except OSError as problem:
            raise UsageError(
                "the desk's folder cannot be used",
                got=f"{folder}: {problem.strerror or problem}",
                allowed="a folder of your own",
                todo="name another one with --folder",
            ) from problem

    @property
    def signer(self) -> Signer:
        """What signs links; a running desk reads them."""
        return Signer(desk_secret(self.settings.folder, "signing"))

    def case_called(self, session: Session, said: str) -> CaseRow:
        """Give the case with this key, or the only one whose key begins so.

        Raises ``UsageError`` where none or several do.
        """
        found = (
            session.scalars(
                select(CaseRow).where(CaseRow.key.startswith(said, autoescape=True)).limit(9)
            ).all()
            if len(said) >= LEAST_KEY
            else []
        )
        found = [case for case in found if case.key.startswith(said)]
        if len(found) != 1:
            several = ", ".join(f"{case.key[:8]} ({case.title})" for case in found)
            raise UsageError(
                "several cases begin like this" if found else "there is no such case",
                got=f"{said or 'nothing'}{': ' if several else ''}{several}",
                allowed=f"the key of a case, or its first {LEAST_KEY} signs and more",
                todo="see audiodiag case list --show all",
            )
        return found[0]

    def keep(
        self, who: str, case_id: int, path: Path, *, purpose: str, steering: str, speed_rpm: str
    ) -> RecordingRow:
        """Put a recording under its hash and write it down; it waits for its turn then.

        Raises ``ClipError`` for what is no readable file, ``UsageError`` for what the desk does not take.
        """
        limits = self.settings.limits
        sha256, size_bytes = self._kept(path)
        with self.store.writing() as session:
            return add_recording(
                session,
                who,
                session.get_one(CaseRow, case_id),
                sha256=sha256,
                size_bytes=size_bytes,
                file_name=path.name,
                purpose=purpose,
                steering=steering,
                speed_rpm=speed_rpm,
                most_in_case=limits.recordings_a_case,
                most_waiting=limits.waiting_jobs,
            )

    def _kept(self, path: Path) -> tuple[str, int]:
        """Copy a file into the vault; once more where a desk that just began swept the copy away."""
        most = self.settings.limits.upload_bytes
        try:
            size = path.stat().st_size if path.is_file() else -1
        except OSError:
            size = -1
        if not 0 < size <= most:
            raise ClipError(
                "this file cannot be added",
                got=f"{path}: {'no file that can be read' if size < 0 else f'{size} bytes'}",
                allowed=f"an ordinary file of 1 to {most} bytes",
                todo="check the path" if size < 0 else "name a recording, cut to 10 to 60 seconds",
            )
        for last in (False, True):
            try:
                with path.open("rb") as file, self.vault.incoming() as arriving:
                    while block := file.read(BLOCK):
                        arriving.write(block)
                    return arriving.keep(), arriving.size_bytes
            except FileNotFoundError:
                if last:
                    raise
            except OSError as problem:
                raise ClipError(
                    "this file cannot be read",
                    got=f"{path}: {problem.strerror or problem}",
                    allowed="a file that may be read, and room in the desk's folder",
                    todo="check its permissions",
                ) from problem
        raise AssertionError("unreachable")

    def wait_for(self, jobs: Iterable[int], tell: Tell) -> list[JobRow]:
        """Wait until these jobs are done or failed: by the desk that runs, or by workers of this process."""
        wanted = list(jobs)
        room: DeskRoom | None = None
        try:
            while True:
                with self.store.reading() as session:
                    rows = list(
                        session.scalars(select(JobRow).where(JobRow.id.in_(wanted)).order_by(JobRow.id))
                    )
                left = [row for row in rows if row.state in ("queued", "running")]
                if not left:
                    tell("")
                    return rows
                if room is None:
                    with suppress(AudiodiagError):
                        room = DeskRoom(self.settings)
                        room.workforce.start()
                by = "" if room else " (by the desk that runs)"
                tell(f"{len(rows) - len(left)} of {len(rows)} done{by}")
                time.sleep(POLL_S)
        finally:
            if room is not None:
                room.close()

    def waiting(self) -> list[int]:
        """Give the jobs that wait or run."""
        with self.store.reading() as session:
            return list(session.scalars(select(JobRow.id).where(JobRow.state.in_(("queued", "running")))))

    def close(self) -> None:
        """Give the database back."""
        self.store.close()
