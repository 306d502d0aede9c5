"""Calls about what people say: answers to questions, the advice that follows, notes, replies, text blocks."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from audiodiag.causes import load_knowledge
from audiodiag.causes.knowledge import NOT_LOOKED
from audiodiag.desk.api.asked import Asked, not_there
from audiodiag.desk.api.views import advice_values, answers_of, newest_heard, notes_of, recordings_of
from audiodiag.desk.casework import answer_question, write_block, write_note
from audiodiag.desk.findings import heard_in
from audiodiag.desk.store import record_deed
from audiodiag.desk.tables import BlockRow, RecordingRow

__all__ = [
    "advice", "answer", "answers", "block_removed", "blocks", "new_block", "new_note", "notes", "questions",
    "reply",
]  # fmt: skip


def questions(asked: Asked) -> dict[str, Any]:
    """Read the questions about the car with the answers that each takes."""
    return {
        "questions": [
            {
                "name": each.name,
                "question": each.question,
                "answers": [
                    *({"name": answer.name, "text": answer.text} for answer in each.answers),
                    {"name": NOT_LOOKED, "text": "not looked at"},
                ],
            }
            for each in load_knowledge().observations
        ]
    }


def answers(asked: Asked) -> dict[str, Any]:
    """Read what was answered in a case."""
    with asked.room.store.reading() as session:
        return {"answers": answers_of(session, asked.case(session))}


def answer(asked: Asked) -> dict[str, Any]:
    """Answer questions; null takes an answer back, what is left out stays."""
    with asked.room.store.writing() as session:
        case = asked.case(session)
        for name, said in asked.body.items():
            answer_question(session, asked.who, case, name, said or "")
        session.flush()
        return {"answers": answers_of(session, case)}


def advice(asked: Asked) -> dict[str, Any]:
    """Read what it may be and what to look at next, by the newest recording or by one of them."""
    with asked.room.store.reading() as session:
        case = asked.case(session)
        wanted = asked.query.get("recording")
        if wanted is None:
            return advice_values(session, case, newest_heard(session, recordings_of(session, case)))
        recording = session.get(RecordingRow, wanted)
        if recording is None or recording.case_id != case.id:
            raise not_there("recording", wanted)
        return advice_values(session, case, heard_in(session, recording))


def notes(asked: Asked) -> dict[str, Any]:
    """Read notes and replies, the oldest first."""
    with asked.room.store.reading() as session:
        return {"notes": notes_of(session, asked.case(session))}


def new_note(asked: Asked) -> dict[str, Any]:
    """Write a note, which owner and advisor both see."""
    return _written(asked, "note")


def reply(asked: Asked) -> dict[str, Any]:
    """Write the advisor's answer to the owner; the case is answered then."""
    return _written(asked, "answer")


def _written(asked: Asked, kind: str) -> dict[str, Any]:
    with asked.room.store.writing() as session:
        case = asked.case(session)
        write_note(session, asked.who, case, asked.body["text"], kind=kind)
        if kind == "answer":
            case.seen_at = case.changed_at
        session.flush()
        return notes_of(session, case)[-1]


def blocks(asked: Asked) -> dict[str, Any]:
    """Read the text blocks for replies."""
    with asked.room.store.reading() as session:
        rows = session.scalars(select(BlockRow).order_by(BlockRow.title, BlockRow.id)).all()
    return {"blocks": [_block(row) for row in rows]}


def new_block(asked: Asked) -> dict[str, Any]:
    """Keep a text block."""
    with asked.room.store.writing() as session:
        write_block(session, asked.who, asked.body["title"], asked.body["text"])
        session.flush()
        row = session.scalars(select(BlockRow).order_by(BlockRow.id.desc()).limit(1)).one()
    return _block(row)


def block_removed(asked: Asked) -> None:
    """Take a text block away."""
    with asked.room.store.writing() as session:
        block = session.get(BlockRow, asked.path["block"])
        if block is None:
            raise not_there("text block", asked.path["block"])
        session.delete(block)
        record_deed(session, asked.who, "removed a text block", details=block.title)


def _block(row: BlockRow) -> dict[str, Any]:
    return {"block": row.id, "title": row.title, "text": row.text, "who": row.who, "at": row.at}
