"""The second step: comparisons may also be a bleed watch or a course over months, with what was asked for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

__all__ = ["downgrade", "upgrade"]

revision = "0002"
down_revision: str | None = "0001"


def upgrade() -> None:
    """Add kind and settings; what is there already compares two sides."""
    with op.batch_alter_table("comparisons") as table:
        table.add_column(sa.Column("kind", sa.String(10), nullable=False, server_default="compare"))
        table.add_column(sa.Column("settings", sa.Text(), nullable=False, server_default="{}"))


def downgrade() -> None:
    """Take both away, and what only they can tell."""
    op.execute("DELETE FROM comparisons WHERE kind <> 'compare'")
    with op.batch_alter_table("comparisons") as table:
        table.drop_column("settings")
        table.drop_column("kind")
