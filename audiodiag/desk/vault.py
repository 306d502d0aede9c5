"""Recordings beside the database, each under its own hash; written whole before anyone is told so."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import stat
from pathlib import Path
from types import TracebackType

from audiodiag.errors import ClipError, UsageError

__all__ = ["Incoming", "Vault", "shown_name"]

_HASH = re.compile(r"[0-9a-f]{64}")
_LONGEST_NAME = 120


def shown_name(name: str) -> str:
    """Give the name under which a recording is shown: the last part, without signs that do not print.

    Files are never stored under it.

    >>> shown_name("../../etc/pass\\x00wd")
    'pass?wd'
    >>> shown_name("  ")
    'recording'
    """
    last = re.split(r"[/\\]", name)[-1].strip()
    printable = "".join(sign if sign.isprintable() else "?" for sign in last)[-_LONGEST_NAME:]
    return printable if printable.strip(". ") else "recording"


class Vault:
    """The folder of recordings of one desk.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     vault = Vault(Path(folder))
    ...     with vault.incoming() as arriving:
    ...         arriving.write(b"RIFF")
    ...         kept = arriving.keep()
    ...     vault.path_of(kept).read_bytes()
    b'RIFF'
    """

    def __init__(self, folder: Path, *, spare_bytes: int = 0) -> None:
        self._kept = folder / "recordings"
        self._arriving = folder / "arriving"
        self._sounds = folder / "sounds"
        self._made = folder / "made"
        self._spare_bytes = spare_bytes
        for place in (self._kept, self._arriving, self._sounds, self._made):
            place.mkdir(parents=True, exist_ok=True, mode=0o700)

    def sweep(self) -> int:
        """Remove what was cut off while it arrived; only one server may do so. Gives how many."""
        cut_off = list(self._arriving.iterdir())
        for path in cut_off:
            path.unlink(missing_ok=True)
        return len(cut_off)

    def incoming(self) -> Incoming:
        """Open a place for a recording that arrives.

        Raises ``UsageError`` where the disk is nearly full.
        """
        self.refuse_full_disk()
        return Incoming(self._arriving / secrets.token_hex(16), self)

    def refuse_full_disk(self) -> None:
        """Raise ``UsageError`` where the disk is nearly full."""
        free = shutil.disk_usage(self._arriving).free
        if free < self._spare_bytes:
            raise UsageError(
                "there is no room for more recordings",
                got=f"{free // 10**6} MB free",
                allowed=f"at least {self._spare_bytes // 10**6} MB free on the desk's disk",
                todo="make room on the disk of the machine that runs the desk, then send it again",
            )

    def path_of(self, sha256: str) -> Path:
        """Give the file of a recording; raises ``ClipError`` for what is no hash."""
        return self._under(self._kept, sha256)

    def sound_of(self, sha256: str) -> Path:
        """Give the file with the sound that a browser plays, made of a recording by a worker."""
        return self._under(self._sounds, sha256).with_suffix(".flac")

    def made_of(self, sha256: str) -> Path:
        """Give the file that a worker made: a report, a parcel, a picture, a part."""
        return self._under(self._made, sha256)

    def take_in(self, path: Path, *, recording: bool = False) -> tuple[str, int]:
        """Put a file that a worker left under its hash, on the disk for sure; gives hash and size.

        Raises ``ClipError`` for what is no ordinary file.
        """
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(handle, "rb") as file:
            kind = os.fstat(file.fileno())
            if not stat.S_ISREG(kind.st_mode):
                raise ClipError(
                    "a worker left something that is no file",
                    got=shown_name(path.name),
                    allowed="ordinary files",
                    todo="ask for it again",
                )
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            os.fsync(file.fileno())
        home = self.path_of(sha256) if recording else self.made_of(sha256)
        home.parent.mkdir(exist_ok=True, mode=0o700)
        os.replace(path, home)  # noqa: PTH105
        _sync_folder(home.parent)
        return sha256, kind.st_size

    def missing(self, hashes: set[str]) -> set[str]:
        """Tell which of these recordings are not there, or not what their name says."""
        return {each for each in hashes if _hash_of(self.path_of(each)) != each}

    @staticmethod
    def _under(root: Path, sha256: str) -> Path:
        if not _HASH.fullmatch(sha256):
            raise ClipError(
                "this is no recording's hash",
                got=sha256,
                allowed="64 digits of 0-9 and a-f",
                todo="open the case again",
            )
        return root / sha256[:2] / sha256


class Incoming:
    """A recording on its way in; left without `keep`, nothing of it stays."""

    def __init__(self, path: Path, vault: Vault) -> None:
        self._path = path
        self._vault = vault
        self._hash = hashlib.sha256()
        self._file = path.open("xb")
        self.size_bytes = 0
        self.first = b""

    def __enter__(self) -> Incoming:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()
        self._path.unlink(missing_ok=True)

    def write(self, block: bytes) -> None:
        """Take the next bytes."""
        self._hash.update(block)
        self.first = (self.first + block[:4])[:4]
        self.size_bytes += len(block)
        self._file.write(block)

    def keep(self) -> str:
        """Put the recording under its hash, on the disk for sure, and give the hash."""
        self._file.flush()
        os.fsync(self._file.fileno())
        sha256 = self._hash.hexdigest()
        home = self._vault.path_of(sha256)
        home.parent.mkdir(exist_ok=True, mode=0o700)
        os.replace(self._path, home)  # noqa: PTH105
        for folder in (home.parent, home.parent.parent):
            _sync_folder(folder)
        return sha256


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _hash_of(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError:
        return ""
