"""The list of cases: what is new, how urgent, what is heard, with a handful of queries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.findings import Urgency, heard_in, urgency_of
from audiodiag.desk.tables import AnalysisRow, CaseRow, JobRow, RecordingRow, SeenRow

__all__ = ["FILTERS", "MOST_LINES", "InboxLine", "inbox_lines"]

MOST_LINES = 200
FILTERS = ("new", "open", "urgent", "answered", "closed", "all")
"""Which cases are shown; ``new`` and ``urgent`` are open ones."""


@dataclass(frozen=True)
class InboxLine:
    """One case as the inbox shows it."""

    case: CaseRow
    fresh: bool
    urgency: Urgency
    heard: tuple[tuple[str, float], ...]
    recordings: int
    waiting: int
    failed: int
    verdict: str
    newest: int | None
    simulated: bool


def inbox_lines(
    session: Session,
    *,
    show: str = "open",
    words: str = "",
    own: Sequence[int] | None = None,
    most: int = MOST_LINES,
) -> list[InboxLine]:
    """Give the cases of a choice: the most urgent first, then what is new, then the oldest.

    ``words`` stand in the case's name; ``own`` bounds the list to these cases.
    """
    query = select(CaseRow).order_by(CaseRow.changed_at.desc())
    if show != "all":
        query = query.where(CaseRow.state == (show if show in ("answered", "closed") else "open"))
    if words:
        query = query.where(CaseRow.title.contains(words, autoescape=True))
    if own is not None:
        query = query.where(CaseRow.id.in_(own))
    lines = _lines(session, list(session.scalars(query.limit(most)).all()))
    if show == "new":
        lines = [line for line in lines if line.fresh]
    if show == "urgent":
        lines = [line for line in lines if line.urgency.rank]
    return sorted(lines, key=lambda line: (-line.urgency.rank, not line.fresh, line.case.changed_at))


def _lines(session: Session, cases: list[CaseRow]) -> list[InboxLine]:
    """Gather what is shown of these cases, however many they are."""
    ids = [case.id for case in cases]
    recordings = session.scalars(
        select(RecordingRow).where(RecordingRow.case_id.in_(ids)).order_by(RecordingRow.id)
    ).all()
    of_recording = {recording.id: recording.case_id for recording in recordings}
    count: dict[int, int] = {}
    for each in recordings:
        count[each.case_id] = count.get(each.case_id, 0) + 1
    done = session.execute(
        select(AnalysisRow.recording_id, AnalysisRow.verdict)
        .where(AnalysisRow.recording_id.in_(list(of_recording)))
        .order_by(AnalysisRow.id)
    ).all()
    verdicts = {of_recording[recording]: verdict for recording, verdict in done}
    newest = {of_recording[recording]: recording for recording, _ in done}
    jobs = session.execute(
        select(JobRow.case_id, JobRow.state, JobRow.kind).where(JobRow.case_id.in_(ids))
    ).all()
    seen: dict[int, dict[str, str]] = {}
    for row in session.scalars(select(SeenRow).where(SeenRow.case_id.in_(ids))):
        seen.setdefault(row.case_id, {})[row.name] = row.answer
    lines = []
    for case in cases:
        recording_id = newest.get(case.id)
        recording = session.get(RecordingRow, recording_id) if recording_id else None
        found = heard_in(session, recording) if recording else None
        chances = found.probabilities if found else {}
        heard = sorted(chances.items(), key=lambda pair: -pair[1])
        lines.append(
            InboxLine(
                case=case,
                fresh=case.seen_at is None or case.seen_at < case.changed_at,
                urgency=urgency_of(case, seen.get(case.id, {}), chances),
                heard=tuple(pair for pair in heard if pair[1] >= 0.25)[:3],
                recordings=count.get(case.id, 0),
                waiting=sum(
                    state in ("queued", "running") and kind == "listen"
                    for owner, state, kind in jobs
                    if owner == case.id
                ),
                failed=sum(state == "failed" for owner, state, _ in jobs if owner == case.id),
                verdict=verdicts.get(case.id, ""),
                newest=recording_id,
                simulated=found is not None and found.simulated,
            )
        )
    return lines
