"""A PostgreSQL server of the tests' own: made, started on a port of this machine, and thrown away.

``python -m tests.desk.postgres [TESTS...]`` runs the desk's tests with every desk's cases in such a server.
"""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.report.browser import missing

PLACES = ("/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/usr/local/opt/postgresql*/bin")


def binaries() -> Path | None:
    """Give the folder of the server's programs, the newest where there are several."""
    found = [path for pattern in PLACES for path in Path("/").glob(pattern[1:]) if (path / "initdb").exists()]
    if found:
        return max(found, key=lambda path: [int(part) for part in path.parent.name.split("-")[-1].split(".")])
    there = shutil.which("initdb")
    return Path(there).resolve().parent if there else None


class Server:
    """A running server: `database` makes a fresh database in it and gives its address."""

    def __init__(self, bin_folder: Path, room: Path) -> None:
        self._bin, self._room = bin_folder, room
        self.password = secrets.token_hex(12)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._as = _somebody() if os.geteuid() == 0 else {}  # the server does not run as root
        if self._as:
            os.chown(room, self._as["user"], self._as["group"])

    def make(self) -> None:
        """Make it; the password is asked for on every way in."""
        secret = self._room / "password"
        secret.write_text(self.password)
        secret.chmod(0o644)
        self._run(
            "initdb", "--no-sync", "-A", "scram-sha-256", "-U", "desk", "--pwfile", str(secret), "-E", "UTF8"
        )

    def start(self) -> None:
        """Start it, without the safety of the disk."""
        settings = f"-F -p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories="
        self._run("pg_ctl", "start", "-w", "-o", settings, "-l", str(self._room / "log"))

    def stop(self) -> None:
        """Stop it at once."""
        self._run("pg_ctl", "stop", "-m", "immediate")

    def address(self, database: str = "postgres", *, password: str | None = None, port: int = 0) -> str:
        """Give the address of a database."""
        return f"postgresql://desk:{password or self.password}@127.0.0.1:{port or self.port}/{database}"

    def database(self) -> str:
        """Make a database and give its address."""
        return fresh_database(self.address())

    def _run(self, program: str, *arguments: str) -> None:
        command = [str(self._bin / program), "-D", str(self._room / "data"), *arguments]
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE if program == "initdb" else subprocess.DEVNULL,
            stderr=subprocess.STDOUT if program == "initdb" else subprocess.DEVNULL,
            cwd=self._room,
            timeout=120,
            **self._as,
        )
        assert done.returncode == 0, (command, done.stdout)


def _somebody() -> dict[str, int | list[int]]:
    for name in ("postgres", "nobody"):
        try:
            user = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    raise AssertionError("no user is there as whom the server could run")


@contextmanager
def server() -> Iterator[Server]:
    """Start a server; skipped with a reason where none is installed, which in CI is a failure."""
    found = binaries()
    if found is None:
        missing("PostgreSQL is not installed")
    room = Path(tempfile.mkdtemp(prefix="desk-postgres-"))
    try:
        made = Server(found, room)
        made.make()
        made.start()
        try:
            yield made
        finally:
            made.stop()
    finally:
        shutil.rmtree(room, ignore_errors=True)


def main() -> int:
    """Run the desk's tests on a server of their own."""
    wanted = sys.argv[1:] or ["tests/desk"]
    with server() as made:
        environment = {**os.environ, "DESK_POSTGRES": made.address()}
        command = [sys.executable, "-m", "pytest", "-q", "-n", "0", *wanted]
        return subprocess.run(command, env=environment).returncode


def fresh_database(server_address: str) -> str:
    """Make a database in a running server and give its address."""
    import psycopg
    from sqlalchemy.engine import make_url

    name = f"d{secrets.token_hex(6)}"
    with psycopg.connect(server_address, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")  # type: ignore[arg-type]
    return make_url(server_address).set(database=name).render_as_string(hide_password=False)


if __name__ == "__main__":
    sys.exit(main())
