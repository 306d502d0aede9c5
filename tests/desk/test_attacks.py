"""A table of attacks, each a test: what an outsider, a strange site or an owner too curious may try."""

from __future__ import annotations

import time

import pytest
from sqlalchemy import select

from audiodiag.desk.guard import SECURITY_HEADERS
from audiodiag.desk.keys import Signer
from audiodiag.desk.passphrase import passphrase_fits, set_passphrase
from audiodiag.desk.settings import Limits
from audiodiag.desk.tables import CaseRow, LinkRow, RecordingRow
from audiodiag.desk.visitors import Visitor, case_link, session_of
from audiodiag.errors import UsageError
from tests.desk.conftest import BASE, HOST, Desk, send

SCRIPT = "<script>alert(1)</script>"
QUOTED = '"><img src=x onerror=alert(1)>'


# Requests that other sites make in a visitor's name

FOREIGN = {
    "cross-site post": {"Origin": "https://evil.example", "Sec-Fetch-Site": "cross-site"},
    "same-site post": {"Origin": "http://127.0.0.1:9999", "Sec-Fetch-Site": "same-site"},
    "post from a file": {"Origin": "null", "Sec-Fetch-Site": "cross-site"},
    "forged fetch metadata": {"Origin": "https://evil.example", "Sec-Fetch-Site": "same-origin"},
    "origin of another port": {"Origin": "http://127.0.0.1:80", "Sec-Fetch-Site": "same-origin"},
    "origin of another scheme": {"Origin": f"https://{HOST}", "Sec-Fetch-Site": "same-origin"},
    "origin that begins alike": {"Origin": f"{BASE}.evil.example", "Sec-Fetch-Site": "same-origin"},
    "user opens a form elsewhere": {"Origin": BASE, "Sec-Fetch-Site": "none"},
    "other name of this machine": {"Origin": "http://localhost:8765", "Sec-Fetch-Site": "same-origin"},
}


@pytest.mark.parametrize("headers", FOREIGN.values(), ids=FOREIGN.keys())
def test_post_from_elsewhere(desk, headers):
    answer = desk.advisor().post("/new", data={"title": "x"}, headers=headers)
    assert answer.status_code == 403
    with desk.room.store.reading() as session:
        assert session.scalars(select(CaseRow)).all() == []


def test_post_without_any_origin(desk):
    client = desk.advisor()
    del client.headers["Origin"], client.headers["Sec-Fetch-Site"]
    assert client.post("/new", data={"title": "x"}).status_code == 403


@pytest.mark.parametrize("kind", ["no-cors", "cors", "navigate"])
def test_page_or_sound_embedded_elsewhere(desk, kind):
    key = desk.case()
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": kind, "Sec-Fetch-Dest": "iframe"}
    assert desk.advisor().get(f"/cases/{key}", headers=headers).status_code == 403


def test_link_from_a_message_may_open_a_page(desk):
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert desk.advisor().get("/inbox", headers=headers).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "FOO"])
def test_other_methods(desk, method):
    key = desk.case()
    assert desk.advisor().request(method, f"/cases/{key}").status_code in (403, 405)


# Names of the desk


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8765",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.0.0.1:8765.evil.example",
        "127.0.0.1.evil.example:8765",
        "[::ffff:127.0.0.1]:8765",
        "localhost:8765@evil.example",
        "",
    ],
)
def test_rebound_name(desk, host):
    answer = desk.advisor().get("/inbox", headers={"Host": host})
    assert answer.status_code == 421
    assert "Not this desk" in answer.text


# Without a key, with forged ones, with those of others


@pytest.mark.parametrize("place", ["/", "/inbox", "/new", "/blocks", "/cases/x", "/cases/x/sounds/1"])
def test_nobody_sees_pages_without_a_session(desk, place):
    answer = desk.client().get(place)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/enter"


def test_nobody_uploads_without_a_session(desk):
    key = desk.case()
    assert send(desk.client(), key, b"x").status_code == 401
    assert desk.client().get(f"/api/1/cases/{key}/jobs").status_code == 401


def _forged(desk) -> dict[str, str]:
    good = session_of(desk.room.signer, Visitor("owner", "owner", (1,)))
    body, mark = good.split(".")
    strange = session_of(Signer(b"?" * 32), Visitor("advisor", "x"))
    late = desk.room.signer.sign("session", {"role": "advisor", "name": "x", "links": []}, lifetime_s=-1)
    link = desk.room.signer.sign("link", {"role": "advisor", "name": "x", "links": []}, lifetime_s=60)
    return {
        "signed by another": strange,
        "past its time": late,
        "of another purpose": link,
        "without a mark": body,
        "with an empty mark": f"{body}.",
        "cut": good[:-2],
        "changed body": f"{body[:-3]}AAA.{mark}",
        "role swapped": f"{strange.split('.')[0]}.{mark}",
        "endless": "A" * 100_000,
        "of strange signs": "%00.%ff",
    }


@pytest.mark.parametrize("number", range(10))
def test_forged_session(desk, number):
    name, token = list(_forged(desk).items())[number]
    client = desk.client()
    client.cookies.set(desk.settings.cookie, token)
    assert client.get("/inbox").status_code == 303, name


def test_forged_or_expired_or_taken_back_link(desk):
    key = desk.case()
    token, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    good = desk.client().get(f"/link/{token}")
    assert good.status_code == 303
    assert good.headers["location"] == f"/cases/{key}"
    body, mark = token.split(".")
    for bad in (f"{body}.{mark[::-1]}", f"{body[:-2]}xx.{mark}", "x", f"{token}x"):
        assert desk.client().get(f"/link/{bad}").status_code == 403
    late = desk.room.signer.sign("link", {"link": link.id}, lifetime_s=1, now_s=time.time() - 5)
    assert desk.client().get(f"/link/{late}").status_code == 403
    owner = desk.client(Visitor("owner", "owner", (link.id,)))
    assert owner.get(f"/cases/{key}").status_code == 200
    desk.advisor().post(f"/cases/{key}/links/remove")
    assert desk.client().get(f"/link/{token}").status_code == 403
    assert owner.get(f"/cases/{key}").status_code == 303, (
        "a session of a link that was taken back is worth nothing"
    )


def test_link_outlives_its_time_in_the_database_no_more(desk):
    key = desk.case()
    _, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    owner = desk.client(Visitor("owner", "owner", (link.id,)))
    with desk.room.store.writing() as session:
        session.get_one(LinkRow, link.id).expires_at = time.time() - 1
    assert owner.get(f"/cases/{key}").status_code == 303


def test_owner_takes_no_part_of_an_advisor(desk):
    key = desk.case()
    recording = desk.recording(key)
    _, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    owner = desk.client(Visitor("owner", "owner", (link.id,)))
    for place in (
        "/new",
        "/name",
        "/blocks",
        f"/cases/{key}/reply",
        f"/cases/{key}/state",
        f"/cases/{key}/links",
        f"/cases/{key}/bench/{recording}/judged",
        f"/cases/{key}/bench/{recording}/marks",
    ):
        answer = owner.post(place, data={"title": "x", "text": "x", "state": "closed", "name": "advisor"})
        assert answer.status_code == 404, place


def test_owner_writes_into_no_case_of_another(desk):
    desk.case("own")
    other = desk.case("other")
    _, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    owner = desk.client(Visitor("owner", "owner", (link.id,)))
    for place in ("answers", "notes", "car", "compare"):
        assert owner.post(f"/cases/{other}/{place}", data={"text": "x"}).status_code == 404
    assert send(owner, other, b"x").status_code == 404
    assert owner.post(f"/cases/{other}/recordings", files={"recording": ("a", b"x")}).status_code == 404


def test_recording_of_another_case_by_number(desk):
    first, second = desk.case("a"), desk.case("b")
    recording = desk.recording(second)
    client = desk.advisor()
    assert client.get(f"/cases/{first}/bench/{recording}").status_code == 404
    assert client.post(f"/cases/{first}/compare", data={f"side.{recording}": "before"}).status_code == 422


def test_keys_of_cases_cannot_be_guessed(desk):
    keys = {desk.case() for _ in range(50)}
    assert len(keys) == 50
    assert all(len(key) >= 24 for key in keys)


# Signs that mean something to a page


@pytest.mark.parametrize("hostile", [SCRIPT, QUOTED, "{{ 7*7 }}", "javascript:alert(1)"])
def test_script_in_name_note_and_file_name(desk, hostile):
    client = desk.advisor(hostile)
    key = desk.case(hostile, words=hostile)
    recording = desk.recording(key, file_name=f"{hostile}.m4a")
    client.post(f"/cases/{key}/notes", data={"text": hostile})
    client.post("/blocks", data={"title": hostile, "text": hostile})
    client.post(f"/cases/{key}/reply", data={"text": hostile})
    for place in (
        "/inbox?show=all",
        f"/inbox?words={hostile}",
        f"/cases/{key}",
        f"/cases/{key}/bench/{recording}",
        f"/cases/{key}/compare",
        "/blocks",
    ):
        page = client.get(place).text
        assert SCRIPT not in page
        assert "<img src=x" not in page
        assert 'href="javascript' not in page
        assert ">49<" not in page


def test_header_split_by_a_name(desk):
    answer = desk.advisor().get("/inbox?said=x%0d%0aSet-Cookie:%20a=b")
    assert "a=b" not in str(answer.headers)


def test_strange_words_in_addresses_say_nothing(desk):
    page = desk.advisor().get("/inbox", params={"said": SCRIPT, "show": SCRIPT, "words": SCRIPT}).text
    assert SCRIPT not in page


@pytest.mark.parametrize("hostile", ["x' OR '1'='1", "%' --", "\\", "_", "'; DROP TABLE cases; --"])
def test_database_words_in_a_search(desk, hostile):
    desk.case("calm")
    answer = desk.advisor().get("/inbox", params={"words": hostile})
    assert answer.status_code == 200
    assert "No case fits" in answer.text


# Files and paths


@pytest.mark.parametrize(
    "place",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2f..%2fpyproject.toml",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/",
    ],
)
def test_climbing_out_of_the_static_files(desk, place):
    answer = desk.advisor().get(place)
    assert answer.status_code in (404, 405)
    assert "import" not in answer.text


@pytest.mark.parametrize(
    "name", ["../../../evil", "/etc/cron.d/x", "..", "a\x00b.m4a", "C:\\x\\y.m4a", "con", ""]
)
def test_climbing_by_a_file_name(desk, name):
    key = desk.case()
    before = {path for path in desk.settings.folder.parent.rglob("*") if path.is_file()}
    sent = send(desk.advisor(), key, b"hello", **({"name": name} if name else {}))
    assert sent.status_code == 201
    new = {path for path in desk.settings.folder.parent.rglob("*") if path.is_file()} - before
    kept = [path for path in new if not path.name.startswith("desk.sqlite")]
    assert kept == [desk.room.vault.path_of(sent.json()["sha256"])]
    with desk.room.store.reading() as session:
        shown = session.scalar(select(RecordingRow)).file_name
    assert "/" not in shown
    assert "\x00" not in shown


@pytest.mark.parametrize(
    "content", [b"<html><script>alert(1)</script>", b"RIFF<svg onload=alert(1)>", b"#!/bin/sh\n"]
)
def test_file_that_is_also_a_page_is_never_given_back(desk, content):
    key = desk.case()
    sent = send(desk.advisor(), key, content, name="x.html")
    answer = desk.advisor().get(f"/cases/{key}/sounds/{sent.json()['recording']}")
    assert answer.status_code == 404, "only what a worker decoded is ever played"
    assert content.decode() not in answer.text


def test_secrets_are_for_their_owner_only(desk):
    set_passphrase(desk.settings.folder, "violet ladder moon cup")
    desk.room.workforce  # noqa: B018
    for name in ("signing.secret", "passphrase.hash"):
        assert (desk.settings.folder / name).stat().st_mode & 0o077 == 0
    assert desk.settings.folder.stat().st_mode & 0o077 == 0


# Too much, too large, too often, too long


def test_upload_too_large_by_its_own_word_and_in_truth(tmp_path):
    desk = Desk(tmp_path / "d", limits=Limits(upload_bytes=20_000, spare_disk_bytes=0))
    key = desk.case()
    client = desk.advisor()

    def pieces():
        for _ in range(10):
            yield b"x" * 10_000

    assert send(client, key, b"x" * 40_000).status_code == 413
    assert send(client, key, pieces()).status_code == 413
    assert list((desk.settings.folder / "arriving").iterdir()) == []
    assert list((desk.settings.folder / "recordings").rglob("*")) == []
    desk.room.close()


def test_form_too_large(desk):
    answer = desk.advisor().post("/new", data={"title": "x", "words": "y" * 300_000})
    assert answer.status_code == 413


def test_too_many_fields(desk):
    key = desk.case()
    answer = desk.advisor().post(f"/cases/{key}/answers", data={f"a{number}": "1" for number in range(5000)})
    assert answer.status_code == 400


def test_false_length(desk):
    client = desk.advisor()
    for length in ("-5", "9" * 30, "0x10", "1e9"):
        answer = client.post("/new", data={"title": "x"}, headers={"Content-Length": length})
        assert answer.status_code in (400, 413)


def test_files_in_a_form_that_takes_none(desk):
    answer = desk.advisor().post("/new", files={"title": ("x", b"y" * 1000)})
    assert answer.status_code == 400


def test_too_many_recordings_in_a_case(tmp_path):
    desk = Desk(tmp_path / "d", limits=Limits(recordings_a_case=2, spare_disk_bytes=0))
    key = desk.case()
    client = desk.advisor()
    codes = [send(client, key, bytes([n])).status_code for n in range(3)]
    assert codes == [201, 201, 422]
    desk.room.close()


def test_too_many_waiting_jobs(tmp_path):
    desk = Desk(tmp_path / "d", limits=Limits(waiting_jobs=1, spare_disk_bytes=0))
    key = desk.case()
    client = desk.advisor()
    codes = [send(client, key, bytes([n])).status_code for n in range(2)]
    assert codes == [201, 422]
    desk.room.close()


def test_too_many_uploads_and_posts(tmp_path):
    desk = Desk(tmp_path / "d", limits=Limits(uploads_an_hour=1, posts_a_minute=2, spare_disk_bytes=0))
    key = desk.case()
    client = desk.advisor()
    codes = [send(client, key, b"x").status_code for _ in range(2)]
    assert codes == [201, 429]
    codes = [client.post(f"/cases/{key}/notes", data={"text": "x"}).status_code for _ in range(3)]
    assert codes == [303, 303, 429]
    desk.room.close()


def test_full_disk(tmp_path):
    desk = Desk(tmp_path / "d", limits=Limits(spare_disk_bytes=1 << 60))
    key = desk.case()
    answer = send(desk.advisor(), key, b"x")
    assert answer.status_code == 422
    assert "no room" in answer.json()["error"]["what"]
    desk.room.close()


def test_empty_recording(desk):
    key = desk.case()
    assert send(desk.advisor(), key, b"").status_code == 422


# The passphrase


@pytest.fixture
def shared(tmp_path):
    desk = Desk(tmp_path / "d", share=True, limits=Limits(passphrases_a_quarter=3, spare_disk_bytes=0))
    set_passphrase(desk.settings.folder, "violet ladder moon cup")
    yield desk
    desk.room.close()


def test_passphrase_lets_in_and_guessing_is_slowed(shared):
    good = {"passphrase": "violet ladder moon cup", "name": "one"}
    assert shared.client().post("/enter", data=good).status_code == 303
    codes = [shared.client().post("/enter", data={"passphrase": f"no{n}"}).status_code for n in range(3)]
    assert codes == [403, 403, 429]
    assert shared.client().post("/enter", data=good).status_code == 429, "even the right one must wait"


def test_key_of_the_machine_does_not_open_a_shared_desk(shared):
    assert shared.client().get(shared.room.entry_path()).status_code == 403


def test_passphrase_is_no_door_where_nothing_is_shared(desk):
    set_passphrase(desk.settings.folder, "violet ladder moon cup")
    answer = desk.client().post("/enter", data={"passphrase": "violet ladder moon cup"})
    assert answer.status_code == 200
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("weak", ["", "short", "aaaaaaaaaaaaaaaa", "x" * 500])
def test_weak_passphrase(tmp_path, weak):
    with pytest.raises(UsageError, match="too easy to guess"):
        set_passphrase(tmp_path, weak)
    assert not passphrase_fits(tmp_path, weak)


def test_hash_holds_no_passphrase(tmp_path):
    set_passphrase(tmp_path, "violet ladder moon cup")
    kept = (tmp_path / "passphrase.hash").read_text()
    assert kept.startswith("$argon2id$")
    assert "violet" not in kept
    (tmp_path / "passphrase.hash").write_text("$argon2id$broken")
    assert not passphrase_fits(tmp_path, "violet ladder moon cup")


# What answers say of the machine


@pytest.mark.parametrize("place", ["/inbox", "/static/desk.css", "/nowhere", "/enter", "/link/x"])
def test_every_answer_carries_the_strict_headers(desk, place):
    answer = desk.advisor().get(place)
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers[name] == value
    policy = answer.headers["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy


def test_fault_shows_no_internals(desk, monkeypatch, capsys):
    def broken(*_, **__):
        raise RuntimeError("secret of the machine")

    monkeypatch.setattr(desk.room.store, "reading", broken)
    answer = desk.client(Visitor("owner", "x", (1,))).get("/")
    assert answer.status_code == 500
    for word in ("secret", "RuntimeError", "Traceback", "audiodiag/desk", ".py"):
        assert word not in answer.text
    said = capsys.readouterr().err
    mark = said.split("desk: fault ")[1].split("\n")[0]
    assert mark in answer.text
    assert "secret of the machine" in said


def test_cookie_cannot_be_read_by_scripts(desk):
    answer = desk.client().get(desk.room.entry_path())
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert answer.headers["location"] == "/inbox"
