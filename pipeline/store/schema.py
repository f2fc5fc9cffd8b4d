"""The tables of the store, the same in every kind of database (`pipeline.store.database`), and their version.

They are made and changed by ``revisions`` alone; a test compares them with what is declared here.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import ClassVar, Self

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from models.errors import ClutchlightError
from pipeline.store.column_types import BYTES, NUMBER, TEXT
from pipeline.store.row_hashes import row_sha256

__all__ = [
    "REVISIONS",
    "SCHEMA_VERSION",
    "ExamRow",
    "PictureRow",
    "RefusalRow",
    "RunOutcome",
    "RunRow",
    "ScanRow",
    "StoreError",
    "Table",
]

SCHEMA_VERSION = 5
"""That of the newest of the revisions. A table that is added, or changes in form or meaning, needs another one."""
REVISIONS = Path(__file__).parent / "revisions"


class StoreError(ClutchlightError):
    """A database or output folder that cannot be used. The text names the path and says what to do."""


class RunOutcome(StrEnum):
    """How a run ended. The values are stored in the database."""

    DONE = "done"
    INTERRUPTED = "interrupted"
    KILLED = "killed"  # found without an end by the next run


class Table(DeclarativeBase):
    """sha256 : of everything else in the row (`pipeline.store.row_hashes`)"""

    type_annotation_map: ClassVar = {str: TEXT, float: NUMBER, bytes: BYTES}

    sha256: Mapped[str] = mapped_column(sort_order=1, server_default="")

    def sealed(self) -> Self:
        """The row with its hash, ready to be stored."""
        self.sha256 = self._digest()
        return self

    @property
    def is_sound(self) -> bool:
        """Whether the row is as it was stored."""
        return self.sha256 == self._digest()

    @property
    def label(self) -> str:
        """What the row holds, in words."""
        keys = (str(getattr(self, column.name)) for column in self.__table__.columns if column.primary_key)
        return f"{self.__tablename__[:-1]} {', '.join(keys)}"

    def _digest(self) -> str:
        row = {column.name: getattr(self, column.name) for column in self.__table__.columns}
        return row_sha256(self.__tablename__, row, self._parts())

    def _parts(self) -> Sequence[str]:
        return ()


class RunRow(Table):
    __tablename__ = "runs"
    identity: Mapped[int] = mapped_column(primary_key=True)
    started: Mapped[str]  # UTC, ISO 8601
    ended: Mapped[str | None]
    settings_sha256: Mapped[str]
    model_sha256: Mapped[str]
    engine: Mapped[str]
    outcome: Mapped[str | None]  # a RunOutcome; None while it runs


class ScanRow(Table):
    __tablename__ = "scans"
    __table_args__ = (UniqueConstraint("clip_sha256", "model_sha256", "settings_sha256", "engine"),)
    identity: Mapped[int] = mapped_column(primary_key=True)
    clip_sha256: Mapped[str]
    model_sha256: Mapped[str]
    settings_sha256: Mapped[str]
    engine: Mapped[str]
    archive: Mapped[bytes]
    pictures: Mapped[list[PictureRow]] = relationship(
        order_by="PictureRow.track", cascade="all, delete-orphan", lazy="selectin"
    )

    @property
    def is_sound(self) -> bool:
        return super().is_sound and all(picture.is_sound for picture in self.pictures)

    @property
    def label(self) -> str:
        return f"scan of the recording {self.clip_sha256}"

    def _parts(self) -> Sequence[str]:
        return [picture.sha256 for picture in self.pictures]


class PictureRow(Table):
    __tablename__ = "pictures"
    scan: Mapped[int] = mapped_column(ForeignKey("scans.identity", ondelete="CASCADE"), primary_key=True)
    track: Mapped[int] = mapped_column(primary_key=True)
    frame: Mapped[int]
    ellipse: Mapped[str]  # JSON, five numbers, px
    jpeg: Mapped[bytes]


class RefusalRow(Table):
    """A recording that killed or outlasted the process that read it."""

    __tablename__ = "refusals"
    clip_sha256: Mapped[str] = mapped_column(primary_key=True)
    recorded: Mapped[str]  # UTC, ISO 8601
    reason: Mapped[str]


class ExamRow(Table):
    __tablename__ = "exams"
    # The second holds all that a list needs, so that the documents, which are large, are not read.
    __table_args__ = (
        Index("exams_by_date", "date", "animal", "fingerprint"),
        Index("exams_listed", "urgency", "error_probability", "folder", "animal", "date", "species", "severities"),
        Index("exams_by_folder", "folder"),
    )
    animal: Mapped[str] = mapped_column(primary_key=True)
    date: Mapped[str] = mapped_column(primary_key=True)
    fingerprint: Mapped[str]
    document: Mapped[str]
    files: Mapped[str]  # JSON, a list of paths relative to the output folder
    run: Mapped[int] = mapped_column(ForeignKey("runs.identity"))
    folder: Mapped[str] = mapped_column(sort_order=2, server_default="")  # this and the next: `ExamListing`
    species: Mapped[str] = mapped_column(sort_order=2, server_default="")
    urgency: Mapped[int] = mapped_column(sort_order=2, server_default="0")
    error_probability: Mapped[float] = mapped_column(sort_order=2, server_default="0")
    severities: Mapped[str] = mapped_column(sort_order=2, server_default="")
    run_row: Mapped[RunRow | None] = relationship(lazy="joined", viewonly=True)

    @property
    def is_sound(self) -> bool:
        return super().is_sound and self.run_row is not None and self.run_row.is_sound
