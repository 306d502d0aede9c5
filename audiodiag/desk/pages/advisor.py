"""The advisor's pages: the inbox, the listening bench, corrections, answers with blocks, links."""

from __future__ import annotations

import time
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from audiodiag.desk.casework import (
    judge,
    mark_stretch,
    remove_mark,
    set_state,
    write_block,
    write_note,
)
from audiodiag.desk.findings import heard_in
from audiodiag.desk.inbox import FILTERS, MOST_LINES, inbox_lines
from audiodiag.desk.labelling import write_labels
from audiodiag.desk.pages.asking import Ask, case_of, go_to, page, recording_of
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import (
    AnalysisRow,
    BlockRow,
    CaseRow,
    JobRow,
    LabelRow,
    LinkRow,
    MarkRow,
    NoteRow,
    RecordingRow,
)
from audiodiag.desk.timeline import timeline_of
from audiodiag.desk.visitors import case_link

__all__ = [
    "bench", "block_kept", "block_removed", "blocks", "inbox", "judged", "link_made",
    "links_taken_back", "mark_kept", "mark_removed", "reply", "state_kept",
]  # fmt: skip


def inbox(ask: Ask) -> Response:
    """The list of cases: what is new, how urgent, what is heard; the most urgent and oldest first."""
    wanted = ask.request.query_params.get("show", "open")
    wanted = wanted if wanted in FILTERS else "open"
    words = ask.request.query_params.get("words", "")[:80].strip()
    with ask.room.store.reading() as session:
        lines = inbox_lines(session, show=wanted, words=words)
        waiting = session.scalars(select(JobRow.case_id).where(JobRow.state.in_(("queued", "running")))).all()
    return page(
        ask, "inbox.html", here="inbox", lines=lines, show=wanted, words=words, waiting=len(waiting),
        filters=FILTERS, most=MOST_LINES,
    )  # fmt: skip


def bench(ask: Ask) -> Response:
    """Listen to one recording by keyboard, mark stretches, correct the sounds, answer."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
        heard = heard_in(session, recording)
        marks = session.scalars(
            select(MarkRow).where(MarkRow.recording_id == recording.id).order_by(MarkRow.start_s)
        ).all()
        labels = session.scalars(select(LabelRow).where(LabelRow.recording_id == recording.id)).all()
        blocks = session.scalars(select(BlockRow).order_by(BlockRow.title)).all()
        notes = session.scalars(select(NoteRow).where(NoteRow.case_id == case.id).order_by(NoteRow.id)).all()
        following = _next_case(session, case)
    drawing = (
        timeline_of(heard.result, [(mark.symptom, mark.start_s, mark.end_s) for mark in marks])
        if heard.result
        else None
    )
    values: dict[str, Any] = {
        "case": case,
        "recording": recording,
        "heard": heard,
        "drawing": drawing,
        "marks": marks,
        "labels": {label.symptom: label.judged for label in labels},
        "blocks": blocks,
        "notes": notes,
        "following": following,
    }
    return page(ask, "bench.html", here="inbox", **values)


def _next_case(session: Session, case: CaseRow) -> tuple[str, int] | None:
    """Give key and newest listened recording of the oldest other open case."""
    row = session.execute(
        select(CaseRow.key, RecordingRow.id)
        .join(RecordingRow, RecordingRow.case_id == CaseRow.id)
        .join(AnalysisRow, AnalysisRow.recording_id == RecordingRow.id)
        .where(CaseRow.state == "open", CaseRow.id != case.id)
        .order_by(CaseRow.cannot_drive.desc(), CaseRow.changed_at, RecordingRow.id.desc())
        .limit(1)
    ).first()
    return (row[0], row[1]) if row else None


def judged(ask: Ask) -> Response:
    """Keep the advisor's own judgement of the six sounds, and write it down for training."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
        words = {
            name.removeprefix("judged."): word
            for name, word in ask.form.items()
            if name.startswith("judged.")
        }
        judge(session, ask.who, case, recording, words)
        write_labels(session, ask.room.vault, ask.room.labels_folder, recording)
    return go_to(f"/cases/{case.key}/bench/{recording.id}", "kept")


def mark_kept(ask: Ask) -> Response:
    """Keep a marked stretch."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
        start_s, end_s = ask.form.get("start_s", ""), ask.form.get("end_s", "")
        mark_stretch(session, ask.who, case, recording, ask.form.get("symptom", ""), start_s, end_s)
    return go_to(f"/cases/{case.key}/bench/{recording.id}", "kept")


def mark_removed(ask: Ask) -> Response:
    """Take a marked stretch away."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        recording = recording_of(ask, session, case)
        remove_mark(session, ask.who, case, recording, ask.request.path_params["mark"])
    return go_to(f"/cases/{case.key}/bench/{recording.id}", "kept")


def reply(ask: Ask) -> Response:
    """Send the advisor's answer: the owner sees it on the page of the case."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        write_note(session, ask.who, case, ask.form.get("text", ""), kind="answer")
        following = _next_case(session, case) if ask.form.get("then") == "next" else None
        case.seen_at = case.changed_at
    if following:
        return go_to(f"/cases/{following[0]}/bench/{following[1]}", "answered")
    return go_to(f"/cases/{case.key}", "answered")


def state_kept(ask: Ask) -> Response:
    """Open a case again, or close it."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        set_state(session, ask.who, case, ask.form.get("state", ""))
        case.seen_at = case.changed_at
    return go_to(f"/cases/{case.key}", "kept")


def link_made(ask: Ask) -> Response:
    """Make a link to this one case for its owner; it expires and can be taken back."""
    days = ask.form.get("days", "14")
    whole = int(days) if days.isascii() and days.isdigit() and len(days) < 4 else 14
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
    token, link = case_link(ask.room.signer, ask.room.store, case.id, days=whole, who=ask.who)
    with ask.room.store.writing() as session:
        record_deed(session, ask.who, "made a link", case_id=case.id, details=f"link {link.id}")
    address = f"{ask.room.settings.scheme}://{ask.request.headers['host']}/link/{token}"
    return page(ask, "link.html", here="case", case=case, address=address, until=link.expires_at)


def links_taken_back(ask: Ask) -> Response:
    """Make every link to this case worthless at once."""
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        now = time.time()
        query = select(LinkRow).where(LinkRow.case_id == case.id, LinkRow.expires_at > now)
        for link in session.scalars(query):
            link.taken_back = True
        record_deed(session, ask.who, "took all links back", case_id=case.id)
    return go_to(f"/cases/{case.key}", "kept")


def blocks(ask: Ask) -> Response:
    """The advisor's own text blocks."""
    with ask.room.store.reading() as session:
        rows = session.scalars(select(BlockRow).order_by(BlockRow.title)).all()
    return page(ask, "blocks.html", here="blocks", blocks=rows)


def block_kept(ask: Ask) -> Response:
    """Keep a new text block."""
    with ask.room.store.writing() as session:
        write_block(session, ask.who, ask.form.get("title", ""), ask.form.get("text", ""))
    return go_to("/blocks", "kept")


def block_removed(ask: Ask) -> Response:
    """Take a text block away."""
    with ask.room.store.writing() as session:
        block = session.get(BlockRow, ask.request.path_params["block"])
        if block is not None:
            session.delete(block)
            record_deed(session, ask.who, "removed a text block", details=block.title)
    return go_to("/blocks", "kept")
