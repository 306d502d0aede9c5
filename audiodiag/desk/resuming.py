"""Recordings that arrive in pieces: what has come stays when the line is cut or the desk ends, for a day.

A file of what was told of the recording and a file of its bytes lie in the folder ``uploads`` of the desk.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import threading
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from audiodiag.desk.vault import shown_name
from audiodiag.errors import UsageError
from audiodiag.files import write_text_whole

__all__ = ["KEPT_S", "Piece", "Resuming", "Upload"]

KEPT_S = 86400.0
"""So long an upload that does not go on is kept."""
MOST_OPEN = 40
_KEY = re.compile(r"[A-Za-z0-9_-]{24}")


@dataclass(frozen=True)
class Upload:
    """A recording on its way and what was told of it; ``recording`` (of a parcel ``task``) at its end."""

    key: str
    case_id: int
    file_name: str
    size_bytes: int
    purpose: str = ""
    steering: str = ""
    speed_rpm: str = ""
    recording: int | None = None
    task: int | None = None

    @property
    def ended(self) -> bool:
        """Whether all of it is kept."""
        return self.recording is not None or self.task is not None


class Resuming:
    """The recordings of one desk that arrive in pieces.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     arriving = Resuming(Path(folder))
    ...     upload = arriving.begin(1, "clip.m4a", 6)
    ...     with arriving.piece(upload, 0) as piece:
    ...         piece.write(b"RIF")
    ...     arriving.received(upload), arriving.find(upload.key, 2)
    (3, None)
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "uploads"
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._lock = threading.Lock()
        self._busy: set[str] = set()

    def begin(
        self,
        case_id: int,
        file_name: str,
        size_bytes: int,
        *,
        purpose: str = "",
        steering: str = "",
        speed_rpm: str = "",
    ) -> Upload:
        """Open an upload.

        Raises ``UsageError`` where too many of this case are on their way already.
        """
        self.sweep()
        under_way = [each for each in self._all() if each.case_id == case_id and not each.ended]
        if len(under_way) >= MOST_OPEN:
            raise UsageError(
                "too many recordings of this case are on their way",
                got=f"{len(under_way)} that were begun and not ended",
                allowed=f"at most {MOST_OPEN}",
                todo="send the rest of one of them, or throw one away",
            )
        upload = Upload(
            secrets.token_urlsafe(18),
            case_id,
            shown_name(file_name),
            size_bytes,
            purpose,
            steering,
            speed_rpm,
        )
        self.bytes_of(upload).touch(mode=0o600)
        self._write(upload)
        return upload

    def find(self, key: str, case_id: int) -> Upload | None:
        """Give an upload of a case; None where there is none, or it was swept away."""
        if not _KEY.fullmatch(key):
            return None
        try:
            upload = Upload(**json.loads((self._folder / f"{key}.json").read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None
        return upload if upload.case_id == case_id else None

    def received(self, upload: Upload) -> int:
        """Tell how many bytes have come."""
        if upload.ended:
            return upload.size_bytes
        try:
            return self.bytes_of(upload).stat().st_size
        except OSError:
            return 0

    def bytes_of(self, upload: Upload) -> Path:
        """Give the file in which the bytes gather."""
        return self._folder / f"{upload.key}.part"

    def piece(self, upload: Upload, offset: int) -> Piece:
        """Open the upload for the piece that begins at this offset; one at a time.

        Raises ``UsageError`` where another piece is being taken, or the offset is not the next one.
        """
        with self._lock:
            if upload.key in self._busy:
                raise UsageError(
                    "another piece of this recording is being taken",
                    got="two pieces at once",
                    allowed="one piece after the other",
                    todo="ask how much has arrived, then go on from there",
                )
            there = self.received(upload)
            if upload.ended or offset != there:
                raise UsageError(
                    "the piece does not begin where the last one ended",
                    got=f"offset {offset}",
                    allowed="nothing, the recording is kept" if upload.ended else f"offset {there}",
                    todo="ask how much has arrived, then go on from there",
                )
            self._busy.add(upload.key)
        try:
            return Piece(self, upload)
        except OSError:
            self.release(upload)
            raise

    def kept(self, upload: Upload, recording: int | None, task: int | None = None) -> Upload:
        """Remember which recording or parcel an upload became, for a sender who has missed the answer."""
        ended = replace(upload, recording=recording, task=task)
        self._write(ended)
        return ended

    def drop(self, upload: Upload) -> None:
        """Throw away what has come of an upload."""
        self.bytes_of(upload).unlink(missing_ok=True)
        (self._folder / f"{upload.key}.json").unlink(missing_ok=True)

    def sweep(self, now_s: float | None = None) -> int:
        """Throw away what has not gone on for a day; gives how many files."""
        until = (time.time() if now_s is None else now_s) - KEPT_S
        gone = 0
        for path in self._folder.iterdir():
            try:
                newest = max(
                    each.stat().st_mtime
                    for each in (path.with_suffix(".json"), path.with_suffix(".part"))
                    if each.exists()
                )
                if newest < until:
                    path.unlink()
                    gone += 1
            except (OSError, ValueError):
                continue
        return gone

    def release(self, upload: Upload) -> None:
        """Let the next piece in."""
        with self._lock:
            self._busy.discard(upload.key)

    def _all(self) -> list[Upload]:
        found = []
        for path in self._folder.glob("*.json"):
            try:
                found.append(Upload(**json.loads(path.read_text(encoding="utf-8"))))
            except (OSError, ValueError, TypeError):
                continue
        return found

    def _write(self, upload: Upload) -> None:
        write_text_whole(self._folder / f"{upload.key}.json", json.dumps(asdict(upload)))


class Piece:
    """One piece on its way in; what was written stays, also where the line is cut."""

    def __init__(self, home: Resuming, upload: Upload) -> None:
        self._home, self._upload = home, upload
        self._file = home.bytes_of(upload).open("ab")

    def __enter__(self) -> Piece:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.close()
        finally:
            self._home.release(self._upload)

    def write(self, block: bytes) -> None:
        """Take the next bytes.

        Raises ``UsageError`` where more comes than was announced; nothing of that block is kept.
        """
        if self._file.tell() + len(block) > self._upload.size_bytes:
            raise UsageError(
                "more bytes came than were announced",
                got=f"more than {self._upload.size_bytes} bytes",
                allowed=f"{self._upload.size_bytes} bytes",
                todo="begin a new upload with the true size",
            )
        self._file.write(block)

    def close(self) -> int:
        """Put what has come on the disk; gives how much of the recording is there."""
        if not self._file.closed:
            with self._file:
                self._file.flush()
                os.fsync(self._file.fileno())
        return self._home.received(self._upload)
