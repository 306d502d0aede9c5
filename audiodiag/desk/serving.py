"""Serve a desk: on this machine alone, or shared over a network with a passphrase and TLS."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import webbrowser
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from audiodiag.desk.app import desk_app
from audiodiag.desk.passphrase import has_passphrase
from audiodiag.desk.room import DeskRoom
from audiodiag.desk.settings import DeskSettings
from audiodiag.errors import UsageError

__all__ = ["PatientProtocol", "Sharing", "config_of", "serve"]

ASKING_S = 20.0
"""How long a connection may take until its request has come, all but the body."""


@dataclass(frozen=True)
class Sharing:
    """How a desk is shared: the address it listens at, and the files of its certificate and key."""

    host: str
    certificate: Path
    key: Path


class PatientProtocol(H11Protocol):
    """HTTP as uvicorn speaks it, but a connection that does not finish asking is closed."""

    _waits: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request, not for ever."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what comes; while no request is whole, the time runs on."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self._waits is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waits = self.loop.call_later(ASKING_S, self._give_up)

    def _stop_waiting(self) -> None:
        if self._waits is not None:
            self._waits.cancel()
            self._waits = None

    def _give_up(self) -> None:
        self._waits = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()


def config_of(room: DeskRoom, sharing: Sharing | None = None) -> uvicorn.Config:
    """Give how the desk is served: bounds on connections, and nothing said of the server."""
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    return uvicorn.Config(
        desk_app(room),
        host=sharing.host if sharing else "127.0.0.1",
        port=room.settings.port,
        http=PatientProtocol,
        ssl_certfile=sharing.certificate if sharing else None,
        ssl_keyfile=sharing.key if sharing else None,
        access_log=False,
        log_level="warning",
        server_header=False,
        proxy_headers=False,
        limit_concurrency=200,
        timeout_keep_alive=10,
        h11_max_incomplete_event_size=32_768,
        timeout_graceful_shutdown=5,
    )


def serve(settings: DeskSettings, *, sharing: Sharing | None = None, browser: bool = True) -> int:
    """Serve until it is ended; 0 then.

    Raises ``UsageError`` where the folder or the port is taken, or a shared desk has no passphrase.
    """
    if sharing is not None and not has_passphrase(settings.folder):
        raise UsageError(
            "a shared desk needs a passphrase",
            got="none",
            allowed="one of at least 12 signs",
            todo="set it with audiodiag desk --set-passphrase",
        )
    room = DeskRoom(settings)
    base = f"{settings.scheme}://127.0.0.1:{settings.port}"
    address = f"{base}/enter" if settings.share else f"{base}{room.entry_path()}"
    config = config_of(room, sharing)
    print(f"The desk is open. Its address, for this machine:\n\n  {address}\n", file=sys.stderr)
    if sharing is not None:
        where = "every address of this machine" if sharing.host in ("0.0.0.0", "::") else sharing.host
        others = ", ".join(f"{settings.scheme}://{name}:{settings.port}/enter" for name in settings.names)
        print(f"It is shared: it listens at {where}. Others reach it at:\n\n  {others}\n", file=sys.stderr)
    print("Keep the address to yourself. Ctrl-C ends the desk; nothing is lost.", file=sys.stderr)
    if browser and os.environ.get("DISPLAY"):
        webbrowser.open(address)
    try:
        uvicorn.Server(config).run()
    except KeyboardInterrupt:
        pass
    except SystemExit as ended:
        if ended.code:
            raise UsageError(
                "the desk could not be opened",
                got=f"port {settings.port} is taken, or the certificate cannot be used",
                allowed="a free port, and a certificate with its key in PEM form",
                todo="name another port with --port",
            ) from ended
    return 0
