"""Calls about cases as a whole: the list, a new one, one of them, its car, its links, who did what."""

from __future__ import annotations

import time
from typing import Any

from sqlalchemy import select

from audiodiag.desk.api.asked import Asked, not_there
from audiodiag.desk.api.views import case_values, urgency_values, vehicle_values
from audiodiag.desk.casework import described_car, open_case, set_state
from audiodiag.desk.inbox import MOST_LINES, InboxLine, inbox_lines
from audiodiag.desk.jobs import waiting
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import CarRow, DeedRow, LinkRow
from audiodiag.desk.visitors import case_link

__all__ = [
    "cases",
    "change_case",
    "deeds",
    "line_values",
    "link_taken_back",
    "links",
    "links_taken_back",
    "new_case",
    "new_link",
    "one_case",
    "put_vehicle",
    "vehicle",
]


def cases(asked: Asked) -> dict[str, Any]:
    """List cases: an advisor's are all, an owner's those of their links."""
    own = None if asked.visitor.advisor else asked.visitor.cases
    with asked.room.store.reading() as session:
        lines = inbox_lines(
            session,
            show=asked.query.get("show", "open"),
            words=asked.query.get("words", "").strip(),
            own=own,
            most=asked.query.get("most", MOST_LINES),
        )
        waits = waiting(session)
    return {"cases": [line_values(line) for line in lines], "waiting": waits}


def line_values(line: InboxLine) -> dict[str, Any]:
    """Give one case of the list."""
    return {
        "key": line.case.key,
        "title": line.case.title,
        "state": line.case.state,
        "cannot_drive": line.case.cannot_drive,
        "fresh": line.fresh,
        "urgency": urgency_values(line.urgency),
        "heard": [{"name": name, "probability": share} for name, share in line.heard],
        "verdict": line.verdict,
        "simulated": line.simulated,
        "recordings": line.recordings,
        "waiting": line.waiting,
        "failed": line.failed,
        "newest_recording": line.newest,
        "made_at": line.case.made_at,
        "changed_at": line.case.changed_at,
    }


def new_case(asked: Asked) -> dict[str, Any]:
    """Open a case."""
    with asked.room.store.writing() as session:
        case = open_case(
            session,
            asked.who,
            title=asked.body["title"],
            words=asked.body.get("words", ""),
            cannot_drive=asked.body.get("cannot_drive", False),
        )
        if "vehicle" in asked.body:
            described_car(session, asked.who, case, _stated(asked.body["vehicle"]))
        session.flush()
        return case_values(session, case, {})


def one_case(asked: Asked) -> dict[str, Any]:
    """Read a case with all that belongs to it."""
    with asked.room.store.reading() as session:
        return case_values(session, asked.case(session), asked.room.workforce.progress())


def change_case(asked: Asked) -> dict[str, Any]:
    """Set a case's state, or note that it was looked at."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        if "state" in asked.body:
            set_state(session, asked.who, case, asked.body["state"])
        if asked.body.get("seen"):
            case.seen_at = case.changed_at
        session.flush()
        return case_values(session, case, asked.room.workforce.progress())


def vehicle(asked: Asked) -> dict[str, Any]:
    """Read what is stated of the car."""
    with asked.room.store.reading() as session:
        return vehicle_values(session.get_one(CarRow, asked.case(session).car_id))


def put_vehicle(asked: Asked) -> dict[str, Any]:
    """State what is known of the car, all of it; what is left out counts as not known."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        described_car(session, asked.who, case, _stated(asked.body))
        return vehicle_values(session.get_one(CarRow, case.car_id))


def _stated(body: dict[str, Any]) -> dict[str, str]:
    """Give numbers as a form would send them."""
    told = {key: repr(value) for key, value in body.items() if key != "renewed" and value is not None}
    return {**told, "renewed": ",".join(body.get("renewed", []))}


def links(asked: Asked) -> dict[str, Any]:
    """List the links that were given out; the links themselves are shown only when they are made."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        rows = session.scalars(select(LinkRow).where(LinkRow.case_id == case.id).order_by(LinkRow.id)).all()
    return {
        "links": [
            {
                "link": row.id,
                "expires_at": row.expires_at,
                "taken_back": row.taken_back,
                "who": row.who,
                "at": row.at,
            }
            for row in rows
        ]
    }


def new_link(asked: Asked) -> dict[str, Any]:
    """Make a link to this one case; it expires and can be taken back."""
    room = asked.room
    with room.store.reading() as session:
        case = asked.case(session)
    token, link = case_link(room.signer, room.store, case.id, days=asked.body.get("days", 14), who=asked.who)
    with room.store.writing() as session:
        record_deed(session, asked.who, "made a link", case_id=case.id, details=f"link {link.id}")
    return {
        "link": link.id,
        "address": f"{room.settings.scheme}://{asked.host}/link/{token}",
        "expires_at": link.expires_at,
    }


def links_taken_back(asked: Asked) -> None:
    """Make every link to this case worthless at once."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        query = select(LinkRow).where(LinkRow.case_id == case.id, LinkRow.expires_at > time.time())
        for link in session.scalars(query):
            link.taken_back = True
        record_deed(session, asked.who, "took all links back", case_id=case.id)


def link_taken_back(asked: Asked) -> None:
    """Make one link worthless at once."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        link = session.get(LinkRow, asked.path["link"])
        if link is None or link.case_id != case.id:
            raise not_there("link", asked.path["link"])
        link.taken_back = True
        record_deed(session, asked.who, "took a link back", case_id=case.id, details=f"link {link.id}")


def deeds(asked: Asked) -> dict[str, Any]:
    """Read who did what when, the newest first; what exactly, only advisors see."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        query = select(DeedRow).where(DeedRow.case_id == case.id).order_by(DeedRow.id.desc())
        if "before" in asked.query:
            query = query.where(DeedRow.id < asked.query["before"])
        rows = session.scalars(query.limit(asked.query.get("most", 100))).all()
    return {
        "deeds": [
            {
                "deed": row.id,
                "who": row.who,
                "what": row.what,
                "details": row.details if asked.visitor.advisor else "",
                "at": row.at,
            }
            for row in rows
        ]
    }
