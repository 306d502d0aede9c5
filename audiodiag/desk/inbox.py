"""The inbox: one line a case: what is new, how urgent, what is heard, with a handful of queries."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from audiodiag.desk.findings import Urgency, chances_with, urgency_of
from audiodiag.desk.tables import AnalysisRow, CaseRow, JobRow, LabelRow, RecordingRow, SeenRow, VerdictRow

__all__ = ["FILTERS", "MOST_LINES", "InboxLine", "following_line", "inbox_counts", "inbox_lines"]

MOST_LINES = 200
FILTERS = ("new", "open", "urgent", "answered", "closed", "all")
"""Which cases are shown; ``new`` and ``urgent`` are open ones."""
_MOST_KNOWN = 5000
_known: dict[tuple[int, float], _Brief] = {}
"""What was read of analyses already; one that is kept never changes."""


@dataclass(frozen=True)
class _Brief:
    """What the inbox shows of one analysis."""

    given: dict[str, float | None]
    simulated: bool


@dataclass(frozen=True)
class InboxLine:
    """One case as the inbox shows it; ``running`` are the jobs whose progress it shows."""

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
    running: tuple[int, ...] = ()


def inbox_lines(
    session: Session,
    *,
    show: str = "open",
    words: str = "",
    own: Sequence[int] | None = None,
    most: int = MOST_LINES,
) -> list[InboxLine]:
    """Give the cases of a choice: the most urgent first, then what is new, then the oldest; ``most`` of them.

    ``words`` stand in the case's name; ``own`` bounds the list to these cases.
    """
    query = select(CaseRow)
    if show != "all":
        query = query.where(CaseRow.state == (show if show in ("answered", "closed") else "open"))
    words = "".join(sign for sign in words if sign.isprintable())  # no name holds another
    if words:
        query = query.where(CaseRow.title.contains(words, autoescape=True))
    if own is not None:
        query = query.where(CaseRow.id.in_(own))
    lines = _lines(session, list(session.scalars(query).all()))
    if show == "new":
        lines = [line for line in lines if line.fresh]
    if show == "urgent":
        lines = [line for line in lines if line.urgency.rank]
    lines.sort(key=lambda line: (-line.urgency.rank, not line.fresh, line.case.changed_at))
    return lines[:most]


def inbox_counts(session: Session) -> dict[str, int]:
    """Count the cases of each filter."""
    lines = inbox_lines(session, most=10**9)
    query = select(CaseRow.state, func.count()).group_by(CaseRow.state)
    states: dict[str, int] = {row[0]: row[1] for row in session.execute(query)}
    return {
        "new": sum(line.fresh for line in lines),
        "open": len(lines),
        "urgent": sum(line.urgency.rank > 0 for line in lines),
        "answered": states.get("answered", 0),
        "closed": states.get("closed", 0),
        "all": sum(states.values()),
    }


def following_line(session: Session, case: CaseRow) -> InboxLine | None:
    """Give the open case after this one in the inbox that can be listened to; None where none is left.

    After the last comes the first, so that whoever passes over cases meets them again.
    """
    lines = [line for line in inbox_lines(session, most=10**9) if line.newest is not None]
    here = next((number for number, line in enumerate(lines) if line.case.id == case.id), -1)
    others = [*lines[here + 1 :], *lines[: max(here, 0)]]
    return others[0] if others else None


def _lines(session: Session, cases: list[CaseRow]) -> list[InboxLine]:
    """Gather what is shown of these cases, however many they are."""
    ids = [case.id for case in cases]
    of_recording: dict[int, int] = {}
    count: dict[int, int] = {}
    for number, owner in session.execute(
        select(RecordingRow.id, RecordingRow.case_id).where(RecordingRow.case_id.in_(ids))
    ):
        of_recording[number] = owner
        count[owner] = count.get(owner, 0) + 1
    newest: dict[int, int] = {}
    analysis: dict[int, tuple[int, float]] = {}
    verdicts: dict[int, str] = {}
    for number, made_at, recording, verdict in session.execute(
        select(AnalysisRow.id, AnalysisRow.made_at, AnalysisRow.recording_id, AnalysisRow.verdict)
        .where(AnalysisRow.recording_id.in_(list(of_recording)))
        .order_by(AnalysisRow.recording_id, AnalysisRow.id)
    ):
        owner = of_recording[recording]
        newest[owner], analysis[owner], verdicts[owner] = recording, (number, made_at), verdict
    labels: dict[int, dict[str, str]] = {}
    for label in session.scalars(select(LabelRow).where(LabelRow.recording_id.in_(list(newest.values())))):
        labels.setdefault(label.recording_id, {})[label.symptom] = label.judged
    for own in session.scalars(select(VerdictRow).where(VerdictRow.recording_id.in_(list(newest.values())))):
        verdicts[of_recording[own.recording_id]] = own.verdict
    jobs: dict[int, list[JobRow]] = {}
    for job in session.scalars(select(JobRow).where(JobRow.case_id.in_(ids), JobRow.state != "done")):
        jobs.setdefault(job.case_id, []).append(job)
    seen: dict[int, dict[str, str]] = {}
    for row in session.scalars(select(SeenRow).where(SeenRow.case_id.in_(ids))):
        seen.setdefault(row.case_id, {})[row.name] = row.answer
    briefs = _briefs(session, list(analysis.values()))
    lines = []
    for case in cases:
        brief = briefs.get(analysis[case.id]) if case.id in analysis else None
        verdict = verdicts.get(case.id, "")
        given = brief.given if brief and verdict in ("symptoms", "normal") else {}
        chances = chances_with(given, labels.get(newest.get(case.id, 0), {}))
        heard = sorted(chances.items(), key=lambda pair: -pair[1])
        left = [job for job in jobs.get(case.id, ()) if job.kind == "listen" and job.state != "failed"]
        lines.append(
            InboxLine(
                case=case,
                fresh=case.seen_at is None or case.seen_at < case.changed_at,
                urgency=urgency_of(case, seen.get(case.id, {}), chances),
                heard=tuple(pair for pair in heard if pair[1] >= 0.25)[:3],
                recordings=count.get(case.id, 0),
                waiting=len(left),
                failed=sum(job.state == "failed" for job in jobs.get(case.id, ())),
                verdict=verdict,
                newest=newest.get(case.id),
                simulated=brief is not None and brief.simulated,
                running=tuple(job.id for job in left if job.state == "running"),
            )
        )
    return lines


def _briefs(session: Session, wanted: list[tuple[int, float]]) -> dict[tuple[int, float], _Brief]:
    """Give what is shown of these analyses; the long text of each is read once only."""
    missing = [number for number, made_at in wanted if (number, made_at) not in _known]
    found = {key: _known[key] for key in wanted if key in _known}
    for start in range(0, len(missing), 100):
        rows = session.execute(
            select(AnalysisRow.id, AnalysisRow.made_at, AnalysisRow.result).where(
                AnalysisRow.id.in_(missing[start : start + 100])
            )
        )
        for number, made_at, text in rows:
            result = json.loads(text)
            given = {each["name"]: each["probability"] for each in result["analysis"]["symptoms"]}
            found[number, made_at] = _Brief(given, bool(result.get("simulated", False)))
    if len(_known) > _MOST_KNOWN:
        _known.clear()
    _known.update(found)
    return found
