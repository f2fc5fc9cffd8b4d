"""The version is in Alembic's table as well. Nothing else has changed."""

from __future__ import annotations

revision, down_revision = "v2", "v1"


def upgrade() -> None:
    pass
