"""Outcomes that people recorded. They are in the people's file since version 3."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision, down_revision = "v2", "v1"


def upgrade() -> None:
    op.create_table(
        "outcomes",
        sa.Column("identity", sa.Integer, primary_key=True),
        *(sa.Column(name, sa.String, nullable=False) for name in ("recorded", "animal", "kind", "date")),
        sa.Column("number", sa.Integer),
        sa.Column("who", sa.String),
        sa.Column("note", sa.String),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
    )
