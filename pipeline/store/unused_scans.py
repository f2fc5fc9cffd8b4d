"""Scans in the store that no result needs any more: of other networks, engines and settings than the exams now have."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from pipeline.store.output_database import database_of
from pipeline.store.schema import ExamRow, RunRow, ScanRow

__all__ = ["UnusedScans", "find_unused_scans", "remove_unused_scans"]

CHUNK = 500  # rows in one statement; SQLite allows 32,766 variables since 3.32


@dataclass(frozen=True)
class UnusedScans:
    """numbers : of their rows;  size_bytes : of the scans, without their pictures"""

    numbers: tuple[int, ...]
    size_bytes: int


def find_unused_scans(out: Path, clips: Collection[tuple[str, str, str]], used_since: str) -> UnusedScans:
    """The scans that neither an exam needs nor a recent run made.

    A scan is needed if a clip of an exam has this recording, and its result came from this network and engine. Of
    several with other settings the newest is. Scans of a network and engine that ran lately are kept as well.

    clips : animal, date and SHA-256 of every recording;  used_since : UTC, ISO 8601

    Raises StoreError.
    """
    database = database_of(out)
    engine = database.connect()
    try:
        with database.explained("read"), Session(engine) as session:
            exams = select(ExamRow.animal, ExamRow.date, RunRow.model_sha256, RunRow.engine)
            rows = session.execute(exams.join(RunRow, ExamRow.run == RunRow.identity))
            made_by = {(animal, date): (model, engine_name) for animal, date, model, engine_name in rows}
            end = func.coalesce(RunRow.ended, RunRow.started)
            recent = session.execute(select(RunRow.model_sha256, RunRow.engine).where(end >= used_since))
            kept_networks = {(model, engine_name) for model, engine_name in recent}
            # Of exams whose recordings are not known by their digests, every scan may be needed.
            described = {(animal, date) for animal, date, _ in clips}
            kept_networks |= {network for exam, network in made_by.items() if exam not in described}
            needed = {(sha256, *made_by[animal, date]) for animal, date, sha256 in clips if (animal, date) in made_by}
            columns = (ScanRow.identity, ScanRow.clip_sha256, ScanRow.model_sha256, ScanRow.engine)
            scans = select(*columns, func.length(ScanRow.archive)).order_by(ScanRow.identity.desc())
            unused, size_bytes = [], 0
            kept: set[tuple[str, str, str]] = set()
            for number, sha256, model, engine_name, length in session.execute(scans):
                key = (sha256, model, engine_name)
                if (key in needed or (model, engine_name) in kept_networks) and key not in kept:
                    kept.add(key)
                else:
                    unused.append(number)
                    size_bytes += length
            return UnusedScans(tuple(unused), size_bytes)
    finally:
        engine.dispose()


def remove_unused_scans(out: Path, scans: UnusedScans) -> None:
    """Remove them with their pictures, and give the space back to the disk. Raises StoreError."""
    database = database_of(out)
    engine = database.connect()
    try:
        with (
            database.explained("written"),
            Session(engine.execution_options(writing=True)) as session,
            session.begin(),
        ):
            for start in range(0, len(scans.numbers), CHUNK):
                session.execute(delete(ScanRow).where(ScanRow.identity.in_(scans.numbers[start : start + CHUNK])))
    finally:
        engine.dispose()
    database.give_back_space()
