"""Runs, scans with their pictures, and the last result of each exam."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from pipeline.store.column_types import BYTES, TEXT

revision, down_revision = "v1", None


def upgrade() -> None:
    op.create_table(
        "runs",
        sa.Column("identity", sa.Integer, primary_key=True),
        sa.Column("started", TEXT, nullable=False),
        sa.Column("ended", TEXT),
        sa.Column("settings_sha256", TEXT, nullable=False),
        sa.Column("model_sha256", TEXT, nullable=False),
        sa.Column("engine", TEXT, nullable=False),
        sa.Column("outcome", TEXT),
    )
    key = ("clip_sha256", "model_sha256", "settings_sha256", "engine")
    op.create_table(
        "scans",
        sa.Column("identity", sa.Integer, primary_key=True),
        *(sa.Column(name, TEXT, nullable=False) for name in key),
        sa.Column("archive", BYTES, nullable=False),
        sa.UniqueConstraint(*key),
    )
    op.create_table(
        "pictures",
        sa.Column("scan", sa.Integer, sa.ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True),
        sa.Column("track", sa.Integer, primary_key=True),
        sa.Column("frame", sa.Integer, nullable=False),
        sa.Column("ellipse", TEXT, nullable=False),
        sa.Column("jpeg", BYTES, nullable=False),
    )
    op.create_table(
        "exams",
        sa.Column("animal", TEXT, primary_key=True),
        sa.Column("date", TEXT, primary_key=True),
        sa.Column("fingerprint", TEXT, nullable=False),
        sa.Column("document", TEXT, nullable=False),
        sa.Column("files", TEXT, nullable=False),
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.identity"), nullable=False),
    )
