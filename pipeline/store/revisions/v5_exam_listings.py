"""What lists of exams are ordered and filtered by, in columns of its own."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

from pipeline.store.column_types import NUMBER, TEXT
from pipeline.store.row_hashes import row_sha256

revision, down_revision = "v5", "v4"

COLUMNS: dict[str, tuple[sa.types.TypeEngine[Any], str]] = {
    "folder": (TEXT, ""),
    "species": (TEXT, ""),
    "urgency": (sa.Integer(), "0"),
    "error_probability": (NUMBER, "0"),
    "severities": (TEXT, ""),
}
INDEXES = {
    "exams_by_date": ["date", "animal", "fingerprint"],
    "exams_listed": ["urgency", "error_probability", "folder", "animal", "date", "species", "severities"],
    "exams_by_folder": ["folder"],
}


def upgrade() -> None:
    connection = op.get_bind()
    keys = connection.execute(sa.text("SELECT animal, date FROM exams")).fetchall()
    one = sa.text("SELECT * FROM exams WHERE animal = :animal AND date = :date")
    sound = []
    for animal, date in keys:
        row = dict(connection.execute(one, {"animal": animal, "date": date}).mappings().one())
        if row["sha256"] == row_sha256("exams", row):  # a new hash would hide damage
            sound.append((animal, date))
    for name, (type_, default) in COLUMNS.items():
        op.add_column("exams", sa.Column(name, type_, nullable=False, server_default=default))
    table = sa.table("exams", *map(sa.column, ("animal", "date", "sha256", *COLUMNS)))
    for animal, date in sound:
        row = dict(connection.execute(one, {"animal": animal, "date": date}).mappings().one())
        listing = _listing(row["document"])
        matches = table.c.animal == animal, table.c.date == date
        sha256 = row_sha256("exams", {**row, **listing})
        connection.execute(sa.update(table).where(*matches).values(**listing, sha256=sha256))
    for name, columns in INDEXES.items():
        op.create_index(name, "exams", columns)


def _listing(document: str) -> dict[str, str | int | float]:
    """What this version wrote beside a result; nothing for a result of an earlier form."""
    try:
        summary = json.loads(document)
        finding, folder = summary["finding"], str(summary["folder"])
        severities = {str(flag["severity"]) for flag in finding["flags"]}
        wrong = 1.0 - float(finding["confidence"]) * float(finding["stage_probability"])
        is_scanned = summary["frames_used"] > 0
        species = str(summary["exam"]["species"] or "")
    except (ValueError, KeyError, TypeError):
        return {"folder": "", "species": "", "urgency": 0, "error_probability": 0.0, "severities": ""}
    urgency = 0 if "vet today" in severities else 1 if "check" in severities or not is_scanned else 2
    return {
        "folder": folder,
        "species": species,
        "urgency": urgency,
        "error_probability": wrong,
        "severities": "".join(f",{severity}" for severity in sorted(severities)) + ("," if severities else ""),
    }
