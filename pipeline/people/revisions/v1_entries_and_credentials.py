"""The chain of entries, and the passwords' hashes."""

from __future__ import annotations

from alembic import op

from pipeline.people.schema import APPLICATION_ID, SCHEMA

revision, down_revision = "v1", None


def upgrade() -> None:
    for statement in SCHEMA:
        op.execute(statement)
    op.execute(f"PRAGMA application_id = {APPLICATION_ID}")
