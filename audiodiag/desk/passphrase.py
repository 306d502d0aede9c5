"""The passphrase of a shared desk: kept as an Argon2id hash, checked slowly on purpose."""

from __future__ import annotations

from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from audiodiag.errors import UsageError
from audiodiag.files import write_text_whole

__all__ = ["has_passphrase", "passphrase_fits", "set_passphrase"]

SHORTEST = 12
LONGEST = 400
_FILE = "passphrase.hash"
_HASHER = PasswordHasher()


def set_passphrase(folder: Path, passphrase: str) -> None:
    """Keep the hash of a passphrase.

    Raises ``UsageError`` for one that is too short, too long or of very few different signs.
    """
    if not SHORTEST <= len(passphrase) <= LONGEST or len(set(passphrase)) < 6:
        raise UsageError(
            "the passphrase is too easy to guess",
            got=f"{len(passphrase)} signs, {len(set(passphrase))} of them different",
            allowed=f"{SHORTEST} to {LONGEST} signs, at least 6 of them different",
            todo="take four or five words that do not belong together",
        )
    path = folder / _FILE
    write_text_whole(path, _HASHER.hash(passphrase))
    path.chmod(0o600)


def has_passphrase(folder: Path) -> bool:
    """Tell whether one was set."""
    return (folder / _FILE).is_file()


def passphrase_fits(folder: Path, said: str) -> bool:
    """Check what a visitor said; False too where none was set."""
    try:
        return _HASHER.verify((folder / _FILE).read_text(encoding="ascii"), said[: LONGEST + 1])
    except (OSError, VerificationError, InvalidHashError):
        return False
