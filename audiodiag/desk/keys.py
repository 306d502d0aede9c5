"""Signed words: sessions and links that nobody can make up, each for one purpose and a limited time."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
import time
from pathlib import Path
from typing import Any

__all__ = ["Signer", "desk_secret"]

LONGEST_TOKEN = 2000


def desk_secret(folder: Path, name: str) -> bytes:
    """Read a secret of the desk, or make it at the first start; only its owner may read the file.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     desk_secret(Path(folder), "signing") == desk_secret(Path(folder), "signing")
    True
    """
    path = folder / f"{name}.secret"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        kept = path.read_bytes()
        if len(kept) == 32:
            return kept
        path.unlink()  # cut off by a crash while it was written
        return desk_secret(folder, name)
    with os.fdopen(handle, "wb") as file:
        fresh = secrets.token_bytes(32)
        file.write(fresh)
        file.flush()
        os.fsync(file.fileno())
    return fresh


class Signer:
    """Signs values for a purpose (HMAC-SHA-256, RFC 2104) and reads them back only while they hold.

    >>> signer = Signer(b"k" * 32)
    >>> token = signer.sign("link", {"case": "a"}, lifetime_s=60.0, now_s=1000.0)
    >>> signer.read("link", token, now_s=1030.0)["case"]
    'a'
    >>> signer.read("link", token, now_s=1061.0) is None, signer.read("session", token, now_s=1030.0) is None
    (True, True)
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret

    def sign(
        self, purpose: str, values: dict[str, Any], *, lifetime_s: float, now_s: float | None = None
    ) -> str:
        """Give the token that carries these values."""
        until = (time.time() if now_s is None else now_s) + lifetime_s
        body = _packed(json.dumps({**values, "until": until}, separators=(",", ":")).encode())
        return f"{body}.{self._mark(purpose, body)}"

    def read(self, purpose: str, token: str, *, now_s: float | None = None) -> dict[str, Any] | None:
        """Give the values, or None for a token that is forged, of another purpose or past its time."""
        body, dot, mark = token.partition(".")
        if len(token) > LONGEST_TOKEN or not dot or not token.isascii():
            return None
        if not hmac.compare_digest(mark, self._mark(purpose, body)):
            return None
        values: dict[str, Any] = json.loads(base64.urlsafe_b64decode(body + "=" * (-len(body) % 4)))
        return values if (time.time() if now_s is None else now_s) < values["until"] else None

    def _mark(self, purpose: str, body: str) -> str:
        return _packed(hmac.new(self._secret, f"{purpose}\n{body}".encode(), hashlib.sha256).digest())


def _packed(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).decode().rstrip("=")
