"""The fourth step: a person's own verdict on a recording."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

__all__ = ["downgrade", "upgrade"]

revision = "0004"
down_revision: str | None = "0003"


def upgrade() -> None:
    """Add the table of verdicts."""
    op.create_table(
        "verdicts",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("recording_id", sa.Integer(), sa.ForeignKey("recordings.id"), nullable=False, unique=True),
        sa.Column("verdict", sa.String(24), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("verdicts")
