"""A hash in each row."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

from pipeline.store.column_types import TEXT
from pipeline.store.row_hashes import row_sha256

revision, down_revision = "v4", "v3"

TABLES = {
    "runs": ("identity",),
    "pictures": ("scan", "track"),
    "scans": ("identity",),
    "refusals": ("clip_sha256",),
    "exams": ("animal", "date"),
}  # with their keys; pictures before the scans whose hashes cover them


def upgrade() -> None:
    _complete_version_3()
    for name in TABLES:
        op.add_column(name, sa.Column("sha256", TEXT, nullable=False, server_default=""))
    connection = op.get_bind()
    for name, key in TABLES.items():
        table = sa.table(name, *map(sa.column, (*key, "sha256")))
        for row in _rows(connection, name, key):
            parts = _picture_hashes(connection, row["identity"]) if name == "scans" else ()
            matches = [table.c[column] == row[column] for column in key]
            connection.execute(sa.update(table).where(*matches).values(sha256=row_sha256(name, row, parts)))


def _complete_version_3() -> None:
    """While version 3 was made, it was also written without refusals, and with outcomes."""
    tables = sa.inspect(op.get_bind()).get_table_names()
    if "refusals" not in tables:
        op.create_table(
            "refusals",
            sa.Column("clip_sha256", TEXT, primary_key=True),
            sa.Column("recorded", TEXT, nullable=False),
            sa.Column("reason", TEXT, nullable=False),
        )
    if "outcomes" in tables:
        op.drop_table("outcomes")


def _rows(connection: sa.Connection, name: str, key: tuple[str, ...]) -> Iterator[dict[str, object]]:
    """One row at a time, since scans are large."""
    keys = connection.execute(sa.text(f"SELECT {', '.join(key)} FROM {name}")).fetchall()
    one = sa.text(f"SELECT * FROM {name} WHERE {' AND '.join(f'{column} = :{column}' for column in key)}")
    for values in keys:
        yield dict(connection.execute(one, dict(zip(key, values, strict=True))).mappings().one())


def _picture_hashes(connection: sa.Connection, scan: object) -> list[str]:
    query = sa.text("SELECT sha256 FROM pictures WHERE scan = :scan ORDER BY track")
    return list(connection.execute(query, {"scan": scan}).scalars())
