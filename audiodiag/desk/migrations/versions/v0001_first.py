"""The first step: every table of the desk."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

__all__ = ["downgrade", "upgrade"]

revision = "0001"
down_revision: str | None = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "cars",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("name", sa.String(80)),
        sa.Column("cylinders", sa.Integer()),
        sa.Column("pump_ratio", sa.Float()),
        sa.Column("vanes", sa.Integer()),
        sa.Column("crank_pulley_mm", sa.Float()),
        sa.Column("pump_pulley_mm", sa.Float()),
        sa.Column("belt_length_mm", sa.Float()),
        sa.Column("age_years", sa.Float()),
        sa.Column("mileage_km", sa.Float()),
        sa.Column("renewed", sa.String(400), nullable=False),
    )
    op.create_table(
        "cases",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("key", sa.String(40), nullable=False, unique=True),
        sa.Column("title", sa.String(120), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("state", sa.String(12), nullable=False),
        sa.Column("cannot_drive", sa.Boolean(), nullable=False),
        sa.Column("car_id", sa.Integer(), sa.ForeignKey("cars.id"), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
        sa.Column("changed_at", sa.Float(), nullable=False),
        sa.Column("seen_at", sa.Float()),
    )
    op.create_index("ix_cases_changed_at", "cases", ["changed_at"])
    op.create_table(
        "recordings",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.String(160), nullable=False),
        sa.Column("purpose", sa.String(8), nullable=False),
        sa.Column("steering", sa.Text(), nullable=False),
        sa.Column("speed_rpm", sa.Float()),
        sa.Column("received_at", sa.Float(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
    )
    op.create_index("ix_recordings_case_id", "recordings", ["case_id"])
    op.create_index("ix_recordings_sha256", "recordings", ["sha256"])
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("kind", sa.String(10), nullable=False),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("recording_id", sa.Integer(), sa.ForeignKey("recordings.id")),
        sa.Column("comparison_id", sa.Integer()),
        sa.Column("state", sa.String(8), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("token", sa.String(40), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
        sa.Column("started_at", sa.Float()),
        sa.Column("ended_at", sa.Float()),
    )
    op.create_index("ix_jobs_case_id", "jobs", ["case_id"])
    op.create_index("ix_jobs_recording_id", "jobs", ["recording_id"])
    op.create_index("jobs_by_state", "jobs", ["state", "id"])
    op.create_table(
        "analyses",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("recording_id", sa.Integer(), sa.ForeignKey("recordings.id"), nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
        sa.Column("verdict", sa.String(24), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
    )
    op.create_index("ix_analyses_recording_id", "analyses", ["recording_id"])
    op.create_table(
        "seen",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("name", sa.String(60), nullable=False),
        sa.Column("answer", sa.String(60), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.UniqueConstraint("case_id", "name", name="one_answer_each"),
    )
    op.create_table(
        "notes",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("kind", sa.String(8), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_index("ix_notes_case_id", "notes", ["case_id"])
    op.create_table(
        "labels",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("recording_id", sa.Integer(), sa.ForeignKey("recordings.id"), nullable=False),
        sa.Column("symptom", sa.String(40), nullable=False),
        sa.Column("judged", sa.String(8), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.UniqueConstraint("recording_id", "symptom", name="one_label_each"),
    )
    op.create_table(
        "marks",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("recording_id", sa.Integer(), sa.ForeignKey("recordings.id"), nullable=False),
        sa.Column("symptom", sa.String(40), nullable=False),
        sa.Column("start_s", sa.Float(), nullable=False),
        sa.Column("end_s", sa.Float(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_index("ix_marks_recording_id", "marks", ["recording_id"])
    op.create_table(
        "blocks",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("title", sa.String(80), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_table(
        "comparisons",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
    )
    op.create_index("ix_comparisons_case_id", "comparisons", ["case_id"])
    op.create_table(
        "links",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("expires_at", sa.Float(), nullable=False),
        sa.Column("taken_back", sa.Boolean(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_index("ix_links_case_id", "links", ["case_id"])
    op.create_table(
        "deeds",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id")),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("what", sa.String(40), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_index("ix_deeds_case_id", "deeds", ["case_id"])


def downgrade() -> None:
    """Take all tables away again."""
    op.drop_table("deeds")
    op.drop_table("links")
    op.drop_table("comparisons")
    op.drop_table("blocks")
    op.drop_table("marks")
    op.drop_table("labels")
    op.drop_table("notes")
    op.drop_table("seen")
    op.drop_table("analyses")
    op.drop_table("jobs")
    op.drop_table("recordings")
    op.drop_table("cases")
    op.drop_table("cars")
