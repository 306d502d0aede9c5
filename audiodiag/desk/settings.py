"""What a desk may use: folder, address, and the limits of uploads, forms and workers, in one place."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["NOBODY", "DeskSettings", "Limits"]

NOBODY = "-"
"""The sender of an order after which a worker always leaves."""
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True)
class Limits:
    """Bounds that keep one visitor, one clip or one worker from taking the machine away from the others.

    ``worker_turns``: recordings of one sender in one case that one worker listens to at most.
    """

    upload_bytes: int = 200_000_000
    upload_s: float = 900.0
    form_bytes: int = 256_000
    body_s: float = 30.0
    uploads_an_hour: int = 400
    posts_a_minute: int = 240
    pieces_a_minute: int = 600
    passphrases_a_quarter: int = 8
    recordings_a_case: int = 100
    waiting_jobs: int = 2000
    spare_disk_bytes: int = 300_000_000
    worker_memory_bytes: int = 4 << 30
    worker_cpu_s: int = 240
    worker_wall_s: float = 900.0
    worker_files: int = 96
    worker_output_bytes: int = 256 << 20
    worker_turns: int = 8
    result_bytes: int = 16 << 20
    made_bytes: int = 800_000_000
    attempts: int = 2


@dataclass(frozen=True)
class DeskSettings:
    """One desk: where it keeps its things and by which names it may be called.

    ``hosts``: what the ``Host`` header may say, port included. ``database``: an SQLAlchemy address; the file
    ``desk.sqlite`` in the folder without one. ``tls``: whether the page is served over TLS.

    >>> DeskSettings(Path("desk"), port=8765).allowed_hosts[0]
    '127.0.0.1:8765'
    """

    folder: Path
    port: int = 8765
    database: str | None = None
    workers: int = 1
    share: bool = False
    tls: bool = False
    names: tuple[str, ...] = ()
    limits: Limits = field(default_factory=Limits)

    @property
    def allowed_hosts(self) -> tuple[str, ...]:
        """The values of the ``Host`` header that are answered."""
        names = (*LOOPBACK_NAMES, *self.names)
        usual = 443 if self.tls else 80
        bare = names if self.port == usual else ()
        return (*(f"{name}:{self.port}" for name in names), *bare)

    @property
    def scheme(self) -> str:
        """``https`` or ``http``."""
        return "https" if self.tls else "http"

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; over TLS bound to this host by its prefix."""
        return f"{'__Host-' if self.tls else ''}desk_{self.port}"
