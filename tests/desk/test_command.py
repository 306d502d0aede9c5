"""The command that opens a desk: what it refuses, and a shared desk over TLS."""

from __future__ import annotations

import http.client
import re
import ssl
import subprocess
import sys
import time
from pathlib import Path

import pytest

from audiodiag.cli import main
from audiodiag.desk.certificate import certificate_for
from audiodiag.desk.passphrase import passphrase_fits, set_passphrase
from tests.desk.served import Started, free_port

ROOT = Path(__file__).resolve().parents[2]


def _refused(capsys, *arguments: str) -> str:
    assert main(["desk", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "allowed: " in said.err
    assert "What to do: " in said.err
    return said.err


def test_without_its_libraries_it_refuses_in_words(capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("audiodiag.commands.desk._NEEDS", ("no_such_library", "starlette"))
    said = _refused(capsys, "--folder", str(tmp_path))
    assert "no no_such_library" in said
    assert "pip install '.[desk]'" in said


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--port", "0"], "1 to 65535"),
        (["--workers", "many"], "--workers"),
        (["--share"], "--share without --name"),
        (["--share", "--name", "x", "--certificate", "no"], "without --certificate-key"),
        (["--share", "--name", "x", "--listen-at", "here"], "an address of this machine in numbers"),
        (
            ["--share", "--name", "x", "--certificate", "no", "--certificate-key", "no"],
            "a file at --certificate",
        ),
    ],
)
def test_what_cannot_be_is_refused(capsys, tmp_path, arguments, word):
    assert word in _refused(capsys, "--folder", str(tmp_path), *arguments)


def test_passphrase_is_set_from_a_pipe(tmp_path):
    command = [sys.executable, "-m", "audiodiag", "desk", "--set-passphrase", "--folder", str(tmp_path)]
    run = {"cwd": ROOT, "capture_output": True, "text": True, "timeout": 120}
    good = subprocess.run(command, **run, input="violet ladder moon cup\n")
    assert good.returncode == 0, good.stderr
    assert passphrase_fits(tmp_path, "violet ladder moon cup")
    bad = subprocess.run(command, **run, input="short\n")
    assert bad.returncode == 2
    assert "too easy to guess" in bad.stderr


@pytest.fixture
def certificate(tmp_path) -> tuple[Path, Path]:
    made = certificate_for(tmp_path / "made", ("desk.example", "127.0.0.1"))
    return made.certificate, made.key


def test_shared_desk_wants_a_passphrase(capsys, tmp_path, certificate):
    arguments = ["--share", "--name", "desk.example", "--certificate", str(certificate[0])]
    arguments += ["--certificate-key", str(certificate[1]), "--folder", str(tmp_path / "d")]
    assert "needs a passphrase" in _refused(capsys, *arguments, "--port", str(free_port()))


def test_shared_desk_over_tls_lets_in_by_passphrase_only(tmp_path, certificate):
    folder, port = tmp_path / "desk", free_port()
    folder.mkdir()
    set_passphrase(folder, "violet ladder moon cup")
    command = [sys.executable, "-m", "audiodiag", "desk", "--share", "--name", "desk.example", "--no-browser"]
    command += ["--certificate", str(certificate[0]), "--certificate-key", str(certificate[1])]
    command += ["--folder", str(folder), "--port", str(port)]
    with Started(command, tmp_path / "said.log") as desk:
        desk.hear("Ctrl-C")
        assert "https://" in desk.said()
        assert "/start/" not in desk.said(), "a shared desk prints no key"
        answer = _ask(port, certificate[0], "POST", b"passphrase=wrong")
        assert answer.status == 403
        answer = _ask(port, certificate[0], "POST", b"passphrase=violet+ladder+moon+cup&name=one")
        assert answer.status == 303
        cookie = answer.headers["Set-Cookie"]
        assert re.match(r"__Host-desk_\d+=", cookie)
        assert "Secure" in cookie
        assert answer.headers["Strict-Transport-Security"]
        assert _ask(port, certificate[0], "GET", None, host="evil.example").status == 421


def test_a_shared_desk_makes_its_certificate_and_says_where_it_listens(tmp_path):
    folder, port = tmp_path / "desk", free_port()
    folder.mkdir()
    set_passphrase(folder, "violet ladder moon cup")
    command = [sys.executable, "-m", "audiodiag", "desk", "--share", "--no-browser", "--name", "desk.example"]
    command += ["--name", "127.0.0.1", "--listen-at", "127.0.0.1", "--folder", str(folder)]
    with Started([*command, "--port", str(port)], tmp_path / "said.log") as desk:
        desk.hear("Ctrl-C")
        made = certificate_for(folder, ("desk.example",))
        assert made.fingerprint in desk.said()
        assert "it listens at 127.0.0.1" in desk.said()
        assert f"https://desk.example:{port}/enter" in desk.said()
        answer = _ask(port, made.certificate, "POST", b"passphrase=wrong")
        assert answer.status == 403


def _ask(port: int, trusted: Path, method: str, body: bytes | None, host: str = "desk.example"):
    until = time.monotonic() + 30
    context = ssl.create_default_context(cafile=trusted)
    context.check_hostname = False
    while True:
        connection = http.client.HTTPSConnection("127.0.0.1", port, context=context, timeout=20)
        headers = {"Host": f"{host}:{port}", "Origin": f"https://{host}:{port}"}
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        try:
            connection.request(method, "/enter", body=body, headers=headers)
            answer = connection.getresponse()
            answer.read()
            return answer
        except ConnectionRefusedError:
            assert time.monotonic() < until
            time.sleep(0.1)
        finally:
            connection.close()


def test_it_listens_on_this_machine_only(tmp_path):
    port = free_port()
    command = [sys.executable, "-m", "audiodiag", "desk", "--no-browser", "--port", str(port)]
    with Started([*command, "--folder", str(tmp_path / "desk")], tmp_path / "said.log") as desk:
        desk.hear("/start/")
        until = time.monotonic() + 30
        wanted = f":{port:04X}"
        listening: list[str] = []
        while not listening and time.monotonic() < until:
            rows = (
                Path("/proc/net/tcp").read_text().splitlines()
                + Path("/proc/net/tcp6").read_text().splitlines()
            )
            listening = [row.split()[1] for row in rows if row.split()[1].endswith(wanted) and " 0A " in row]
            time.sleep(0.1)
        assert listening == [f"0100007F{wanted}"], "127.0.0.1 and nothing else"
