"""Writing files whole or not at all.

A file is written beside its place under another name, forced to the disk, and then renamed over its place in
one step. Whoever reads the place sees the old file or the new one, never half of one, also after a power cut.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from audiodiag.errors import UsageError

__all__ = ["write_bytes_whole", "write_text_whole"]


def write_bytes_whole(path: str | Path, content: bytes) -> Path:
    """Write the bytes as one file, replacing an older file in one step, and give its path.

    Raises ``UsageError`` where the folder is missing, is none, or cannot be written; nothing is left behind.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_bytes_whole(Path(folder) / "note.bin", b"12")
    ...     written.read_bytes()
    b'12'
    """
    place = Path(path)
    made: str | None = None
    try:
        handle, made = tempfile.mkstemp(prefix=f".{place.name[:40]}.", suffix=".part", dir=place.parent)
        with os.fdopen(handle, "wb") as part:
            part.write(content)
            part.flush()
            os.fsync(part.fileno())
        Path(made).chmod(_mode_of_new_files())
        Path(made).replace(place)
    except OSError as problem:
        raise UsageError(
            "the file cannot be written",
            got=f"{place}: {problem.strerror or problem}",
            allowed="a folder that exists, may be written to and has room",
            todo="make the folder, free some space or name another place",
        ) from problem
    finally:
        if made is not None:
            with contextlib.suppress(OSError):
                Path(made).unlink()
    _settle_folder(place.parent)
    return place


def write_text_whole(path: str | Path, text: str) -> Path:
    """Write the text as UTF-8, replacing an older file in one step, and give its path.

    Line ends stay as they are in the text. Raises as ``write_bytes_whole`` does.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_text_whole(Path(folder) / "note.txt", "idle 780 rpm\\n").read_text(encoding="utf-8")
    'idle 780 rpm\\n'
    """
    return write_bytes_whole(path, text.encode("utf-8"))


def _mode_of_new_files() -> int:
    """Give the permissions that an ordinary new file would have here."""
    mask = os.umask(0o077)
    os.umask(mask)
    return 0o666 & ~mask


def _settle_folder(folder: Path) -> None:
    """Force the rename itself to the disk, where the system can do that to a folder."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
