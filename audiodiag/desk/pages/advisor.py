"""The advisor's pages: the inbox, the listening bench, corrections, answers with blocks, links."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from starlette.responses import Response

from audiodiag.desk.casework import (
    judge,
    mark_stretch,
    remove_mark,
    set_state,
    write_block,
    write_note,
)
from audiodiag.desk.findings import Heard, heard_in
from audiodiag.desk.inbox import (
    FILTERS,
    MOST_LINES,
    InboxLine,
    following_line,
    inbox_counts,
    inbox_lines,
)
from audiodiag.desk.labelling import write_labels
from audiodiag.desk.pages.asking import Ask, case_of, go_to, page, recording_of
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import (
    BlockRow,
    CaseRow,
    JobRow,
    LabelRow,
    LinkRow,
    MarkRow,
    NoteRow,
)
from audiodiag.desk.tasks import parts_of
from audiodiag.desk.timeline import timeline_of
from audiodiag.desk.visitors import case_link
from audiodiag.records import SYMPTOMS
from audiodiag.report.language import LANGUAGES

__all__ = [
    "bench", "block_kept", "block_removed", "blocks", "following", "inbox", "judged", "link_made",
    "links_taken_back", "mark_kept", "mark_removed", "reply", "state_kept",
]  # fmt: skip


def inbox(ask: Ask) -> Response:
    """The list of cases: what is new, how urgent, what is heard; the most urgent first, then what is new."""
    wanted = ask.request.query_params.get("show", "open")
    wanted = wanted if wanted in FILTERS else "open"
    words = ask.request.query_params.get("words", "")[:80].strip()
    with ask.room.store.reading() as session:
        lines = inbox_lines(session, show=wanted, words=words, most=MOST_LINES + 1)
        counts = inbox_counts(session)
        queue = session.scalars(
            select(JobRow.state).where(JobRow.kind == "listen", JobRow.state.in_(("queued", "running")))
        ).all()
    progress = ask.room.workforce.progress()
    return page(
        ask, "inbox.html", here="inbox", lines=lines[:MOST_LINES], more=len(lines) > MOST_LINES, show=wanted,
        words=words, waiting=len(queue), running=queue.count("running"), counts=counts, filters=FILTERS,
        most=MOST_LINES, steps={line.case.id: _step(line, progress) for line in lines if line.waiting},
    )  # fmt: skip


def _step(line: InboxLine, progress: Mapping[int, Mapping[str, Any]]) -> tuple[str, float]:
    """Say how far the first running job of a case is, with its share."""
    for job in line.running:
        told = progress.get(job, {"step": "", "share": 0.0})
        return str(told["step"]) or "is being listened to", min(1.0, max(0.0, float(told["share"])))
    return "waits for its turn", 0.0


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
        others = following_line(session, case) is not None
        parts = parts_of(session, recording)
        waits = heard.job is not None and heard.job.state in ("queued", "running")
    if (case.seen_at or 0.0) < case.changed_at:
        with ask.room.store.writing() as session:
            session.get_one(CaseRow, case.id).seen_at = case.changed_at
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
        "others": others,
        "this_parts": parts,
        "waits": waits,
        "likely": _likely(heard),
        "languages": LANGUAGES,
    }
    return page(ask, "bench.html", here="inbox", **values)


def _likely(heard: Heard) -> str:
    """Name the sound that is chosen first: the most probable one."""
    chances = heard.probabilities
    return max(SYMPTOMS, key=lambda name: chances.get(name, 0.0))


def following(ask: Ask) -> Response:
    """Go on to the open case that comes next in the inbox; to the inbox where none is left."""
    with ask.room.store.reading() as session:
        line = following_line(session, case_of(ask, session))
        if line is None:
            return go_to("/inbox", "last")
        return go_to(f"/cases/{line.case.key}/bench/{line.newest}")


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
        judge(session, ask.who, case, recording, words, verdict=ask.form.get("verdict", ""))
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
        case.seen_at = case.changed_at
    onwards = ask.form.get("then") == "next"
    return go_to(f"/cases/{case.key}/next") if onwards else go_to(f"/cases/{case.key}", "answered")


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
