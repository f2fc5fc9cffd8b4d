"""Runs, scans with their pictures, and the last result of each exam."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision, down_revision = "v1", None


def upgrade() -> None:
    op.create_table(
        "runs",
        sa.Column("identity", sa.Integer, primary_key=True),
        sa.Column("started", sa.String, nullable=False),
        sa.Column("ended", sa.String),
        sa.Column("settings_sha256", sa.String, nullable=False),
        sa.Column("model_sha256", sa.String, nullable=False),
        sa.Column("engine", sa.String, nullable=False),
        sa.Column("outcome", sa.String),
    )
    key = ("clip_sha256", "model_sha256", "settings_sha256", "engine")
    op.create_table(
        "scans",
        sa.Column("identity", sa.Integer, primary_key=True),
        *(sa.Column(name, sa.String, nullable=False) for name in key),
        sa.Column("archive", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint(*key),
    )
    op.create_table(
        "pictures",
        sa.Column("scan", sa.Integer, sa.ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True),
        sa.Column("track", sa.Integer, primary_key=True),
        sa.Column("frame", sa.Integer, nullable=False),
        sa.Column("ellipse", sa.String, nullable=False),
        sa.Column("jpeg", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "exams",
        sa.Column("animal", sa.String, primary_key=True),
        sa.Column("date", sa.String, primary_key=True),
        sa.Column("fingerprint", sa.String, nullable=False),
        sa.Column("document", sa.String, nullable=False),
        sa.Column("files", sa.String, nullable=False),
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.identity"), nullable=False),
    )
