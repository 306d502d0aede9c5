"""Who is at the page: their name, their part (advisor or owner), and which cases are theirs to see."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass

from audiodiag.desk.keys import Signer
from audiodiag.desk.store import Store
from audiodiag.desk.tables import CaseRow, LinkRow

__all__ = ["SESSION_S", "Visitor", "case_link", "entered_by_link", "session_of", "visitor_of"]

SESSION_S = 14 * 86400.0
LINK_DAYS_MOST = 90
MOST_CASES = 20


@dataclass(frozen=True)
class Visitor:
    """A person with a session. An advisor sees all cases, an owner those of the links they were given.

    >>> Visitor("owner", "owner", (7,)).may_see(7), Visitor("owner", "owner", (7,)).may_see(8)
    (True, False)
    """

    role: str
    name: str
    links: tuple[int, ...] = ()
    cases: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.cases:
            object.__setattr__(self, "cases", self.links)

    @property
    def advisor(self) -> bool:
        """Whether the whole desk is open."""
        return self.role == "advisor"

    def may_see(self, case_id: int) -> bool:
        """Whether this case is theirs."""
        return self.advisor or case_id in self.cases


def session_of(signer: Signer, visitor: Visitor) -> str:
    """Give the session's token for the cookie."""
    values = {
        "role": visitor.role,
        "name": visitor.name,
        "links": list(visitor.links),
        "n": secrets.token_hex(4),
    }
    return signer.sign("session", values, lifetime_s=SESSION_S)


def visitor_of(signer: Signer, store: Store, token: str | None) -> Visitor | None:
    """Give the visitor of a session; an owner's links are looked up anew, so that they can be taken back."""
    values = signer.read("session", token) if token else None
    if values is None:
        return None
    if values["role"] == "advisor":
        return Visitor("advisor", values["name"])
    now = time.time()
    with store.reading() as session:
        links = [session.get(LinkRow, each) for each in values["links"][:MOST_CASES]]
    valid = [link for link in links if link is not None and not link.taken_back and link.expires_at > now]
    if not valid:
        return None
    return Visitor(
        "owner", values["name"], tuple(link.id for link in valid), tuple(link.case_id for link in valid)
    )


def case_link(signer: Signer, store: Store, case_id: int, *, days: int, who: str) -> tuple[str, LinkRow]:
    """Make a link to one case and write it down; gives its token."""
    lifetime_s = min(max(days, 1), LINK_DAYS_MOST) * 86400.0
    now = time.time()
    with store.writing() as session:
        link = LinkRow(case_id=case_id, expires_at=now + lifetime_s, who=who, at=now)
        session.add(link)
        session.flush()
    return signer.sign("link", {"link": link.id}, lifetime_s=lifetime_s, now_s=now), link


def entered_by_link(
    signer: Signer, store: Store, token: str, before: Visitor | None
) -> tuple[Visitor, str] | None:
    """Give the visitor that a link makes and the key of its case; None for a link that does not hold.

    An owner keeps the cases that they could see before; an advisor stays one.
    """
    values = signer.read("link", token)
    if values is None:
        return None
    with store.reading() as session:
        link = session.get(LinkRow, values["link"])
        if link is None or link.taken_back or link.expires_at <= time.time():
            return None
        key = session.get_one(CaseRow, link.case_id).key
    if before is not None and before.advisor:
        return before, key
    earlier = before.links if before is not None else ()
    return Visitor(
        "owner", "owner", (link.id, *(each for each in earlier if each != link.id))[:MOST_CASES]
    ), key
