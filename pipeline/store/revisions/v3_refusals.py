"""Recordings that killed or outlasted the process that read them. Outcomes have moved to the people's file."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from pipeline.store.column_types import TEXT

revision, down_revision = "v3", "v2"


def upgrade() -> None:
    op.create_table(
        "refusals",
        sa.Column("clip_sha256", TEXT, primary_key=True),
        sa.Column("recorded", TEXT, nullable=False),
        sa.Column("reason", TEXT, nullable=False),
    )
    op.drop_table("outcomes")  # empty: the program does not open a store with outcomes in it
