"""Attacks on the wire itself: half requests, slow ones, strange headers; against a served desk."""

from __future__ import annotations

import asyncio
import re
import socket
import threading
import time
from contextlib import suppress

import pytest
import uvicorn

from audiodiag.desk import serving
from audiodiag.desk.guard import Guard
from audiodiag.desk.serving import config_of
from audiodiag.desk.settings import DeskSettings, Limits
from audiodiag.desk.visitors import Visitor, session_of
from tests.desk.conftest import BASE, HOST, Desk, wait_for

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A desk that is served by a thread of this process; gives its port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    desk = Desk(tmp_path_factory.mktemp("wire") / "desk", port=port)
    before, serving.ASKING_S = serving.ASKING_S, 1.0
    server = uvicorn.Server(config_of(desk.room))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    wait_for(lambda: server.started)
    yield port
    server.should_exit = True
    thread.join(timeout=20)
    serving.ASKING_S = before


def _said(port: int, sent: bytes, within_s: float = 15.0) -> bytes:
    """Send bytes and give all that comes back until the other side closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=within_s) as line:
        line.sendall(sent)
        told = b""
        with suppress(ConnectionResetError):  # it was closed while more was on its way
            while piece := line.recv(65536):
                told += piece
        return told


def _request(
    port: int, *headers: str, method: str = "GET", place: str = "/enter", body: bytes = b""
) -> bytes:
    host = f"Host: 127.0.0.1:{port}"
    return (
        "\r\n".join([f"{method} {place} HTTP/1.1", host, "Connection: close", *headers, "", ""]).encode()
        + body
    )


@pytest.mark.parametrize("half", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "])
def test_half_a_request_is_not_waited_for(served, half):
    began = time.monotonic()
    assert _said(served, half) == b""
    assert time.monotonic() - began < 12


def test_half_a_second_request_is_not_waited_for(served):
    with socket.create_connection(("127.0.0.1", served), timeout=15) as line:
        line.sendall(_request(served).replace(b"Connection: close\r\n", b""))
        told = b""
        while b"</html>" not in told:
            told += line.recv(65536)
        began = time.monotonic()
        line.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert line.recv(65536) == b""
        assert time.monotonic() - began < 8


def test_whole_requests_are_answered_on_one_line(served):
    with socket.create_connection(("127.0.0.1", served), timeout=15) as line:
        for _ in range(3):
            line.sendall(_request(served).replace(b"Connection: close\r\n", b""))
            told = b""
            while b"</html>" not in told:
                told += line.recv(65536)
            assert told.startswith(b"HTTP/1.1 200")


def test_two_hosts_or_none(served):
    for headers in (["Host: evil.example"], ["Host: 127.0.0.1"]):
        code = _said(served, _request(served, *headers)).split(b" ", 2)[1]
        assert code in (b"400", b"421")
    assert _said(served, b"GET /enter HTTP/1.1\r\nConnection: close\r\n\r\n").split(b" ", 2)[1] == b"400"


def test_endless_header(served):
    told = _said(served, _request(served, "X-Long: " + "x" * 200_000))
    assert told == b"" or told.split(b" ", 2)[1] in (b"400", b"431")


@pytest.mark.parametrize(
    "headers",
    [
        ["Content-Length: 5", "Content-Length: 6"],
        ["Transfer-Encoding: chunked, chunked"],
        ["Transfer-Encoding: x"],
        ["Content-Length: 0\x0b"],
        ["Content-Length : 5"],
    ],
)
def test_two_ways_to_read_the_length(served, headers):
    told = _said(served, _request(served, *headers, method="POST", body=b"hello"))
    assert told.split(b" ", 2)[1] in (b"400", b"403", b"501")


def test_nothing_is_said_of_the_server(served):
    told = _said(served, _request(served)).split(b"\r\n\r\n")[0].lower()
    assert b"server:" not in told
    assert b"uvicorn" not in told
    assert b"python" not in told


def test_line_breaks_in_headers_of_an_answer(served):
    told = _said(served, _request(served, place="/inbox?said=a%0d%0aSet-Cookie:%20evil=1"))
    assert b"evil=1" not in told.split(b"\r\n\r\n")[0]


def _asgi(desk: Desk, messages, *, method: str = "POST", place: str = "/new") -> list[dict]:
    """Call the desk as a server would, with messages that come as slowly as the test wants."""
    sent: list[dict] = []

    async def send(message: dict) -> None:
        sent.append(message)

    cookie = f"{desk.settings.cookie}={session_of(desk.room.signer, Visitor('advisor', 'x'))}"
    headers = {"host": HOST, "origin": BASE, "cookie": cookie}
    headers["content-type"] = "application/x-www-form-urlencoded"
    scope = {
        "type": "http", "method": method, "path": place, "raw_path": place.encode(), "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8765), "scheme": "http", "http_version": "1.1",
    }  # fmt: skip
    asyncio.run(desk.app(scope, messages, send))
    return sent


@pytest.mark.parametrize("place", ["/new", "/cases/{key}/recordings", "/api/1/cases/{key}/recordings"])
def test_slow_body_is_cut_off(tmp_path, place):
    limits = Limits(spare_disk_bytes=0, body_s=0.5, upload_s=0.5)
    desk = Desk(tmp_path / "desk", limits=limits)
    key = desk.case()

    async def drops() -> dict:
        await asyncio.sleep(0.1)
        return {"type": "http.request", "body": b"x", "more_body": True}

    began = time.monotonic()
    sent = _asgi(desk, drops, place=place.format(key=key))
    assert sent[0]["status"] in (408, 415)
    assert time.monotonic() - began < 10
    assert list((desk.settings.folder / "arriving").iterdir()) == []
    desk.room.close()


def test_method_override_changes_nothing(desk):
    key, client = desk.case(), desk.advisor()
    for header in ("X-HTTP-Method-Override", "X-Method-Override", "X-HTTP-Method"):
        assert client.get(f"/cases/{key}", headers={header: "DELETE"}).status_code == 200
        answer = client.post(f"/api/1/cases/{key}/links", json={}, headers={header: "DELETE"})
        assert answer.status_code == 201
    answer = client.post(f"/cases/{key}/notes", data={"text": "x", "_method": "DELETE"})
    assert answer.status_code == 303
    assert client.get(f"/cases/{key}").status_code == 200


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("text/plain", b'{"title": "x"}'),
        ("application/x-www-form-urlencoded", b"title=x"),
        ("application/json", b'["title"]'),
        ("application/json", b'{"title": ["x"]}'),
        ("application/json", b'{"title": {"$ne": 1}}'),
        ("application/json", b'{"title": 7}'),
        ("application/json", b'{"title": NaN}'),
        ("application/json", b'{"title": "x", "title": "y"}'),
        ("application/json", b'{"title": "x", "state": "closed"}'),
        ("application/json", b"[" * 100_000),
        ("application/json", b'{"title": "x", "cannot_drive": 1e400}'),
        ("application/json; charset=utf-7", b'{"title": "x"}'),
        ("application/json", b"\xff\xfe"),
    ],
)
def test_json_of_a_wrong_kind(desk, kind, body):
    answer = desk.advisor().post("/api/1/cases", content=body, headers={"Content-Type": kind})
    assert answer.status_code in (400, 415)
    assert answer.json()["error"]["allowed"]


@pytest.mark.parametrize("number", [2**31, 2**63, 10**30, 10**300], ids=["31", "63", "100", "1000 bits"])
def test_huge_numbers_lead_nowhere(desk, number):
    key, client = desk.case(), desk.advisor()
    desk.recording(key)
    for place in (
        f"/cases/{key}/bench/{number}",
        f"/cases/{key}/sounds/{number}",
        f"/cases/{key}/files/{number}",
    ):
        assert client.get(place).status_code in (400, 404), place
    for place in ("recordings", "tasks", "files"):
        assert client.get(f"/api/1/cases/{key}/{place}/{number}").status_code in (400, 404)
    assert client.get(f"/cases/{key}", params={"recording": str(number)[:100]}).status_code in (200, 404, 422)
    sides = {f"side.{number}"[:200]: "before"}
    assert client.post(f"/cases/{key}/compare", data=sides).status_code in (400, 422)
    for told in ({"size_bytes": number, "name": "x"}, {"size_bytes": -number, "name": "x"}):
        assert client.post(f"/api/1/cases/{key}/uploads", json=told).status_code in (400, 413)
    car = {"mileage_km": "9" * 200, "age_years": "1e999", "cylinders": str(number)[:60]}
    assert client.post(f"/cases/{key}/car", data=car).status_code == 422


UNPRINTED = ("\u202e", "\u200b", "\ufeff", "\u2066", "\x1b", "\x00", "\r", "\n")


@pytest.mark.parametrize("sign", UNPRINTED, ids=[f"U+{ord(sign):04X}" for sign in UNPRINTED])
def test_signs_that_turn_or_hide_a_name(desk, sign):
    """A name such as ``exe`` turned round must not look like ``m4a``."""
    key, client = desk.case(f"van{sign}gpj"), desk.advisor()
    desk.recording(key, file_name=f"clip{sign}a4m.exe")
    client.post("/name", data={"name": f"ma{sign}x"})
    page = client.get(f"/cases/{key}").text
    assert f"clip{sign}" not in page
    assert f"van{sign}" not in page
    assert "a4m.exe" in page
    assert f"ma{sign}x" not in client.get("/inbox").text


def test_faults_cannot_write_lines_of_their_own(desk, monkeypatch, capsys):
    def broken(*_, **__):
        raise RuntimeError("a\ndesk: fault 00000000\n\x1b[2Jcleared")

    monkeypatch.setattr(desk.room.store, "reading", broken)
    assert desk.client(Visitor("owner", "x", (1,))).get("/").status_code == 500
    said = capsys.readouterr().err
    assert "\x1b" not in said
    assert len(re.findall(r"^desk: fault", said, re.MULTILINE)) == 1


def test_private_pages_and_sounds_are_kept_by_nobody_between(desk):
    key, client = desk.case(), desk.advisor()
    desk.recording(key)
    for place in ("/inbox", f"/cases/{key}", "/new", "/enter", f"/api/1/cases/{key}"):
        assert client.get(place).headers["Cache-Control"] == "no-store", place
    home = desk.room.vault.sound_of("0" * 64)
    with desk.room.store.reading() as session:
        from audiodiag.desk.tables import RecordingRow

        home = desk.room.vault.sound_of(session.get_one(RecordingRow, 1).sha256)
    home.parent.mkdir(exist_ok=True)
    home.write_bytes(b"fLaC" + bytes(1000))
    answer = client.get(f"/cases/{key}/sounds/1")
    assert answer.headers["Cache-Control"].startswith("private")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    many = "bytes=" + ",".join(f"{n}-{n + 1}" for n in range(0, 900, 3))
    began = time.monotonic()
    assert client.get(f"/cases/{key}/sounds/1", headers={"Range": many}).status_code in (200, 206, 400, 416)
    assert time.monotonic() - began < 5


def test_pages_hold_no_script_or_style_of_their_own(desk):
    """What the content policy would refuse is not there: no inline script or style, nothing from outside."""
    key, client = desk.case(SCRIPT, words=SCRIPT), desk.advisor()
    desk.recording(key)
    for place in (
        "/inbox", "/new", "/blocks", f"/cases/{key}", f"/cases/{key}/bench/1", f"/cases/{key}/compare",
        f"/cases/{key}/papers", f"/cases/{key}/record", f"/cases/{key}/car", "/enter", "/api/1",
    ):  # fmt: skip
        page = client.get(place).text
        assert re.findall(r"<script(?![^>]*\bsrc=\"/static/)", page) == [], place
        assert re.findall(r"<style|\sstyle=|\son\w+=\"|javascript:", page) == [], place
        assert re.findall(r"(?:src|href|action)=\"(?:[a-z]+:)?//", page) == [], place


def test_session_is_always_of_the_desks_own_making(tmp_path):
    """A cookie that was laid into the browser before is never raised to a session."""
    from audiodiag.desk.passphrase import set_passphrase

    desk = Desk(tmp_path / "desk", share=True)
    set_passphrase(desk.settings.folder, "violet ladder moon cup")
    laid = "laid.in.before"
    client = desk.client()
    client.cookies.set(desk.settings.cookie, laid)
    answer = client.post("/enter", data={"passphrase": "violet ladder moon cup", "name": "one"})
    fresh = answer.headers["Set-Cookie"]
    assert laid not in fresh
    assert (
        desk.client().get("/inbox", headers={"Cookie": f"{desk.settings.cookie}={laid}"}).status_code == 303
    )
    again = desk.client().post("/enter", data={"passphrase": "violet ladder moon cup", "name": "one"})
    assert again.headers["Set-Cookie"] != fresh, "two sessions are never one"
    desk.room.close()


def test_flood_of_guests_does_not_forget_the_guesses():
    from audiodiag.desk.rates import EVERYBODY, MOST_KEPT, Rates

    rates = Rates()
    assert rates.allows("passphrase", EVERYBODY, most=1, within_s=900, now_s=0.0)
    for number in range(3 * MOST_KEPT):
        rates.allows("passphrase", f"guest {number}", most=1, within_s=900, now_s=1.0 + number / 1e6)
    assert not rates.allows("passphrase", EVERYBODY, most=1, within_s=900, now_s=2.0)
    assert len(rates._times) <= MOST_KEPT + 2


def test_other_kinds_of_connection_are_not_answered(desk):
    sent: list[dict] = []

    async def send(message: dict) -> None:
        sent.append(message)

    async def receive() -> dict:
        return {"type": "websocket.connect"}

    scope = {"type": "websocket", "path": "/", "headers": [], "query_string": b""}
    asyncio.run(Guard(None, DeskSettings(desk.settings.folder))(scope, receive, send))
    assert sent == []
