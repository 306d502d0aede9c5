"""The third step: what is asked for beside listening and comparing, and the files that workers make."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

__all__ = ["downgrade", "upgrade"]

revision = "0003"
down_revision: str | None = "0002"


def upgrade() -> None:
    """Add the tables of tasks and files, and which task a job belongs to."""
    op.create_table(
        "tasks",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("kind", sa.String(10), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
    )
    op.create_index("ix_tasks_case_id", "tasks", ["case_id"])
    op.create_table(
        "files",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("case_id", sa.Integer(), sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("job_id", sa.Integer(), sa.ForeignKey("jobs.id"), nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("media", sa.String(40), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.Float(), nullable=False),
    )
    op.create_index("ix_files_case_id", "files", ["case_id"])
    op.create_index("ix_files_job_id", "files", ["job_id"])
    op.add_column("jobs", sa.Column("task_id", sa.Integer()))


def downgrade() -> None:
    """Take them away again."""
    with op.batch_alter_table("jobs") as jobs:
        jobs.drop_column("task_id")
    op.drop_table("files")
    op.drop_table("tasks")
