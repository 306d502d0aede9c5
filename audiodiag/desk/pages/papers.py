"""Report and parcel of a case: asked for here, made by a worker, fetched here; for owner and advisor."""

from __future__ import annotations

from sqlalchemy import select
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from audiodiag.desk.pages.asking import Ask, case_of, go_to, page
from audiodiag.desk.tables import AnalysisRow, FileRow, RecordingRow
from audiodiag.desk.tasks import ask_parcel, ask_report, papers_of
from audiodiag.report.language import LANGUAGES

__all__ = ["made_file", "paper_asked", "papers"]

LANGUAGE_WORDS = {"en": "English", "de": "Deutsch"}
TICKED = 2
"""So many of the newest recordings that were listened to are ticked at first."""
_SHOWN_HERE = ("image/png", "audio/mp4", "audio/flac")
"""Kinds that a page of the desk shows or plays; all others, above all pages with scripts, are only saved."""


def papers(ask: Ask) -> Response:
    """What was made of this case, and the form that asks for more."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        made = papers_of(session, case, ("report", "parcel"))
        parcels = papers_of(session, case, ("unpack",))
        recordings = session.scalars(
            select(RecordingRow).where(RecordingRow.case_id == case.id).order_by(RecordingRow.id)
        ).all()
        own = [recording.id for recording in recordings]
        listened = set(
            session.scalars(select(AnalysisRow.recording_id).where(AnalysisRow.recording_id.in_(own)))
        )
    ticked = [each for each in own if each in listened][-TICKED:]
    waits = any(paper.state in ("queued", "running") for paper in made)
    values = {"case": case, "made": made, "recordings": recordings, "waits": waits, "parcels": parcels}
    values |= {"listened": listened, "ticked": ticked, "LANGUAGE_WORDS": LANGUAGE_WORDS}
    return page(ask, "papers.html", here="case", languages=LANGUAGES, **values)


def paper_asked(ask: Ask) -> Response:
    """Ask for a report or a parcel."""
    chosen = [int(each) for each in ask.many.get("recording", ()) if each.isascii() and each.isdigit()]
    said, most = ask.form, ask.room.settings.limits.waiting_jobs
    quiet, language = said.get("without_speech") == "yes", said.get("language", "en")
    with ask.room.store.writing() as session:
        case = case_of(ask, session)
        if said.get("kind") == "parcel":
            ask_parcel(
                session, ask.who, case, chosen, language=language, note=said.get("note", ""),
                as_flac=said.get("as_flac") == "yes", without_speech=quiet, most_waiting=most,
            )  # fmt: skip
        else:
            ask_report(
                session, ask.who, case, chosen, language=language, without_speech=quiet,
                with_names=said.get("with_names") == "yes", most_waiting=most,
            )  # fmt: skip
    ask.room.workforce.wake()
    return go_to(f"/cases/{case.key}/papers", "paper")


def made_file(ask: Ask) -> Response:
    """Give a file that a worker made for this case."""
    with ask.room.store.reading() as session:
        case = case_of(ask, session)
        file = session.get(FileRow, ask.request.path_params["file"])
    if file is None or file.case_id != case.id:
        raise HTTPException(404)
    path = ask.room.vault.made_of(file.sha256)
    if not path.is_file():
        raise HTTPException(404)
    shown = file.media in _SHOWN_HERE
    return FileResponse(
        path,
        media_type=file.media,
        filename=file.name,
        content_disposition_type="inline" if shown else "attachment",
    )
