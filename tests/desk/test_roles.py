"""Every call and every page, one by one: what an owner may not do, what nobody may see without a session."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import func, select

from audiodiag.desk.api.calls import PREFIX, calls
from audiodiag.desk.app import PAGES
from audiodiag.desk.tables import Base, CaseRow
from audiodiag.desk.visitors import Visitor, case_link
from tests.desk.conftest import Desk

CALLS = calls()
OWNER_CALLS = [call for call in CALLS if "{key}" in call.path]


def _counts(desk: Desk) -> dict[str, int]:
    with desk.room.store.reading() as session:
        return {
            name: session.scalar(select(func.count()).select_from(table))
            for name, table in Base.metadata.tables.items()
        }


def _filled(path: str, key: str) -> str:
    return re.sub(r"\{(\w+)(:int)?\}", lambda found: key if found[1] == "key" else "1", path)


def _ask(client, call, key: str):
    place = PREFIX + _filled(call.path, key)
    if call.raw:
        return client.request(
            call.method, place, content=b"x", headers={"Content-Type": "application/octet-stream"},
            params=dict.fromkeys(call.needs, "0"),
        )  # fmt: skip
    if call.body is not None:
        return client.request(call.method, place, json={})
    return client.request(call.method, place)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A desk with two cases; an owner who has a link to the first one."""
    desk = Desk(tmp_path_factory.mktemp("roles") / "desk")
    own, other = desk.case("own"), desk.case("other")
    for key in (own, other):
        desk.recording(key, content=key.encode())
    _, link = case_link(desk.room.signer, desk.room.store, 1, days=1, who="advisor")
    yield desk, desk.client(Visitor("owner", "owner", (link.id,))), own, other
    desk.room.close()


def test_tables_hold_calls_for_advisors_and_for_owners():
    assert sum(call.advisor for call in CALLS) >= 10
    assert len(OWNER_CALLS) >= 25
    assert sum(row[3] for row in PAGES) >= 12


@pytest.mark.parametrize("call", [c for c in CALLS if c.advisor], ids=lambda c: f"{c.method} {c.path}")
def test_owner_makes_no_call_of_an_advisor(filled, call):
    desk, owner, own, _ = filled
    before = _counts(desk)
    assert _ask(owner, call, own).status_code == 403
    assert _counts(desk) == before


@pytest.mark.parametrize("call", OWNER_CALLS, ids=lambda c: f"{c.method} {c.path}")
def test_owner_makes_no_call_in_a_case_of_another(filled, call):
    desk, owner, _, other = filled
    before = _counts(desk)
    answer = _ask(owner, call, other)
    assert answer.status_code in (400, 403, 404), "400 where the body is looked at first"
    assert "other" not in answer.text
    if answer.status_code == 400:
        assert call.body is not None
    assert _counts(desk) == before


@pytest.mark.parametrize("call", CALLS, ids=lambda c: f"{c.method} {c.path}")
def test_nobody_makes_a_call_without_a_session(filled, call):
    desk, _, own, _ = filled
    before = _counts(desk)
    assert _ask(desk.client(), call, own).status_code == 401
    assert _counts(desk) == before


@pytest.mark.parametrize("row", [row for row in PAGES if row[3]], ids=lambda row: f"{row[0]} {row[1]}")
def test_owner_opens_no_page_of_an_advisor(filled, row):
    desk, owner, own, _ = filled
    before = _counts(desk)
    answer = owner.request(row[0], _filled(row[1], own), data={"title": "x"} if row[0] == "POST" else None)
    assert answer.status_code == 404
    assert _counts(desk) == before


@pytest.mark.parametrize(
    "row", [row for row in PAGES if "{key}" in row[1]], ids=lambda row: f"{row[0]} {row[1]}"
)
def test_owner_opens_no_page_of_the_case_of_another(filled, row):
    desk, owner, _, other = filled
    before = _counts(desk)
    data = {"text": "x", "state": "closed"} if row[0] == "POST" else None
    assert owner.request(row[0], _filled(row[1], other), data=data).status_code in (404, 422)
    assert _counts(desk) == before


def test_owner_sees_only_their_case_in_lists(filled):
    desk, owner, own, other = filled
    told = owner.get(f"{PREFIX}/cases").json()
    assert [case["key"] for case in told["cases"]] == [own]
    with desk.room.store.reading() as session:
        assert len(session.scalars(select(CaseRow)).all()) == 2
    assert other not in owner.get(f"/cases/{own}").text


def test_no_call_takes_an_address_to_fetch_from():
    """Nothing that a visitor sends makes the desk ask another machine."""
    taken = {name for call in CALLS for name in call.query}
    for call in CALLS:
        if call.body is not None:
            taken |= set(re.findall(r"'(\w+)': \{", str(call.body())))
    assert not [name for name in taken if re.search(r"url|uri|host|address|path|database", name)]
