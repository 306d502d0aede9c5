"""What the desk remembers: cars, cases, recordings, jobs, analyses, answers, notes, labels, deeds.

Times are seconds since 1970 (UTC). Ids inside addresses are the unguessable ``key`` of a case.
"""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import Float, ForeignKey, Index, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = [
    "AnalysisRow",
    "Base",
    "BlockRow",
    "CarRow",
    "CaseRow",
    "ComparisonRow",
    "DeedRow",
    "FileRow",
    "JobRow",
    "LabelRow",
    "LinkRow",
    "MarkRow",
    "NoteRow",
    "RecordingRow",
    "SeenRow",
    "TaskRow",
    "VerdictRow",
]


class Base(DeclarativeBase):
    """Parent of all tables."""

    type_annotation_map: ClassVar[dict[Any, Any]] = {float: Float()}


class CarRow(Base):
    """What is stated of a car; null where it is not known."""

    __tablename__ = "cars"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    name: Mapped[str | None] = mapped_column(String(80))
    cylinders: Mapped[int | None]
    pump_ratio: Mapped[float | None]
    vanes: Mapped[int | None]
    crank_pulley_mm: Mapped[float | None]
    pump_pulley_mm: Mapped[float | None]
    belt_length_mm: Mapped[float | None]
    age_years: Mapped[float | None]
    mileage_km: Mapped[float | None]
    renewed: Mapped[str] = mapped_column(String(400), default="")


class CaseRow(Base):
    """One trouble of one car. ``state``: open, answered or closed; ``cannot_drive`` as its owner says."""

    __tablename__ = "cases"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    key: Mapped[str] = mapped_column(String(40), unique=True)
    title: Mapped[str] = mapped_column(String(120))
    words: Mapped[str] = mapped_column(Text, default="")
    state: Mapped[str] = mapped_column(String(12), default="open")
    cannot_drive: Mapped[bool] = mapped_column(default=False)
    car_id: Mapped[int] = mapped_column(ForeignKey("cars.id"))
    made_at: Mapped[float] = mapped_column(Float)
    changed_at: Mapped[float] = mapped_column(Float, index=True)
    seen_at: Mapped[float | None] = mapped_column(Float)


class RecordingRow(Base):
    """One recording of a case; its bytes lie beside the database under their own hash."""

    __tablename__ = "recordings"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    size_bytes: Mapped[int]
    file_name: Mapped[str] = mapped_column(String(160))
    purpose: Mapped[str] = mapped_column(String(8), default="")
    steering: Mapped[str] = mapped_column(Text, default="")
    speed_rpm: Mapped[float | None]
    received_at: Mapped[float] = mapped_column(Float)
    who: Mapped[str] = mapped_column(String(80), default="")


class JobRow(Base):
    """Work for a worker process. ``state``: queued, running, done or failed; ``token`` marks one attempt."""

    __tablename__ = "jobs"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    kind: Mapped[str] = mapped_column(String(10))
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    recording_id: Mapped[int | None] = mapped_column(ForeignKey("recordings.id"), index=True)
    comparison_id: Mapped[int | None]
    task_id: Mapped[int | None]
    state: Mapped[str] = mapped_column(String(8), default="queued")
    attempts: Mapped[int] = mapped_column(default=0)
    token: Mapped[str] = mapped_column(String(40), default="")
    said: Mapped[str] = mapped_column(Text, default="")
    made_at: Mapped[float] = mapped_column(Float)
    started_at: Mapped[float | None] = mapped_column(Float)
    ended_at: Mapped[float | None] = mapped_column(Float)
    __table_args__ = (Index("jobs_by_state", "state", "id"),)


class AnalysisRow(Base):
    """What one version of the program found in one recording, as JSON."""

    __tablename__ = "analyses"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    recording_id: Mapped[int] = mapped_column(ForeignKey("recordings.id"), index=True)
    version: Mapped[str] = mapped_column(String(40))
    made_at: Mapped[float] = mapped_column(Float)
    verdict: Mapped[str] = mapped_column(String(24))
    result: Mapped[str] = mapped_column(Text)


class SeenRow(Base):
    """An answer to one question about the car."""

    __tablename__ = "seen"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"))
    name: Mapped[str] = mapped_column(String(60))
    answer: Mapped[str] = mapped_column(String(60))
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)
    __table_args__ = (UniqueConstraint("case_id", "name", name="one_answer_each"),)


class NoteRow(Base):
    """A note, or (``kind`` answer) what the advisor wrote to the owner."""

    __tablename__ = "notes"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    kind: Mapped[str] = mapped_column(String(8))
    text: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)


class LabelRow(Base):
    """A person's own judgement of one symptom in one recording: heard or absent."""

    __tablename__ = "labels"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    recording_id: Mapped[int] = mapped_column(ForeignKey("recordings.id"))
    symptom: Mapped[str] = mapped_column(String(40))
    judged: Mapped[str] = mapped_column(String(8))
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)
    __table_args__ = (UniqueConstraint("recording_id", "symptom", name="one_label_each"),)


class VerdictRow(Base):
    """A person's own verdict on one recording, which stands before the program's."""

    __tablename__ = "verdicts"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    recording_id: Mapped[int] = mapped_column(ForeignKey("recordings.id"), unique=True)
    verdict: Mapped[str] = mapped_column(String(24))
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)


class MarkRow(Base):
    """A stretch of a recording in which a person hears a symptom."""

    __tablename__ = "marks"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    recording_id: Mapped[int] = mapped_column(ForeignKey("recordings.id"), index=True)
    symptom: Mapped[str] = mapped_column(String(40))
    start_s: Mapped[float] = mapped_column(Float)
    end_s: Mapped[float] = mapped_column(Float)
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)


class BlockRow(Base):
    """A text block of an advisor, to be put into answers."""

    __tablename__ = "blocks"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    title: Mapped[str] = mapped_column(String(80))
    text: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)


class ComparisonRow(Base):
    """Recordings before and after, and what has changed between them, as JSON once it is known.

    ``kind`` bleed or trend: the recordings of ``before`` in their order, ``settings`` as JSON.
    """

    __tablename__ = "comparisons"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    kind: Mapped[str] = mapped_column(String(10), default="compare", server_default="compare")
    before: Mapped[str] = mapped_column(Text)
    after: Mapped[str] = mapped_column(Text)
    settings: Mapped[str] = mapped_column(Text, default="{}", server_default="{}")
    version: Mapped[str] = mapped_column(String(40), default="")
    made_at: Mapped[float] = mapped_column(Float)
    result: Mapped[str] = mapped_column(Text, default="")


class TaskRow(Base):
    """Something that was asked for: ``kind``, the options as JSON, and as JSON what came of it.

    Kinds: ``report``, ``parcel``, ``parts``, ``unpack``.
    """

    __tablename__ = "tasks"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    kind: Mapped[str] = mapped_column(String(10))
    told: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(String(80))
    made_at: Mapped[float] = mapped_column(Float)
    version: Mapped[str] = mapped_column(String(40), default="")
    result: Mapped[str] = mapped_column(Text, default="")


class FileRow(Base):
    """A file that a worker made: a report, a parcel, a picture, a sound; its bytes lie under their hash."""

    __tablename__ = "files"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    name: Mapped[str] = mapped_column(String(80))
    media: Mapped[str] = mapped_column(String(40))
    sha256: Mapped[str] = mapped_column(String(64))
    size_bytes: Mapped[int]
    made_at: Mapped[float] = mapped_column(Float)


class LinkRow(Base):
    """A signed link to one case that was given out; it can be taken back before it expires."""

    __tablename__ = "links"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cases.id"), index=True)
    expires_at: Mapped[float] = mapped_column(Float)
    taken_back: Mapped[bool] = mapped_column(default=False)
    who: Mapped[str] = mapped_column(String(80))
    at: Mapped[float] = mapped_column(Float)


class DeedRow(Base):
    """Who did what when."""

    __tablename__ = "deeds"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    case_id: Mapped[int | None] = mapped_column(ForeignKey("cases.id"), index=True)
    who: Mapped[str] = mapped_column(String(80))
    what: Mapped[str] = mapped_column(String(40))
    details: Mapped[str] = mapped_column(Text, default="")
    at: Mapped[float] = mapped_column(Float)
