"""All that one desk works with, put together once: memory, recordings, keys, queue, counts of requests."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from audiodiag.desk.keys import Signer, desk_secret
from audiodiag.desk.rates import Rates
from audiodiag.desk.resuming import Resuming
from audiodiag.desk.settings import DeskSettings
from audiodiag.desk.store import Store
from audiodiag.desk.vault import Vault
from audiodiag.desk.workforce import Workforce
from audiodiag.errors import UsageError

__all__ = ["DeskRoom"]

_ENTRY_S = 10 * 366 * 86400.0


class DeskRoom:
    """Opens a desk; only one server at a time may open the same folder.

    Raises ``UsageError`` where another server has it open or the folder cannot be used.
    """

    def __init__(self, settings: DeskSettings) -> None:
        self.settings = settings
        folder = settings.folder
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._lock = os.open(folder / "desk.lock", os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as problem:
            raise UsageError(
                "the desk's folder cannot be used",
                got=f"{folder}: {problem.strerror or problem}",
                allowed="a folder of your own, or a new name where one may be made",
                todo="name another one with --folder",
            ) from problem
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as problem:
            os.close(self._lock)
            raise UsageError(
                "another desk has this folder open",
                got=str(folder),
                allowed="one desk a folder",
                todo="use the desk that runs already, or name another folder with --folder",
            ) from problem
        try:
            self.store = Store(folder, address=settings.database)
        except UsageError:
            os.close(self._lock)
            raise
        self.vault = Vault(folder, spare_bytes=settings.limits.spare_disk_bytes)
        self.vault.sweep()
        self.resuming = Resuming(folder)
        self.resuming.sweep()
        self.signer = Signer(desk_secret(folder, "signing"))
        self.rates = Rates()
        self.workforce = Workforce(self.store, self.vault, settings)

    @property
    def labels_folder(self) -> Path:
        """Where corrections are kept for training."""
        return self.settings.folder / "labels"

    def entry_path(self) -> str:
        """Give the path that opens a desk on this machine to whoever can read its terminal."""
        return f"/start/{self.signer.sign('entry', {}, lifetime_s=_ENTRY_S)}"

    def close(self) -> None:
        """End the workers and give everything back."""
        self.workforce.stop()
        self.store.close()
        os.close(self._lock)
