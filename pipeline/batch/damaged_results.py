"""What the store lost on the disk since the last run: removed before this one, and computed again where it can be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams.exam import Exam
from pipeline.exams.exam_search import ExamProblem
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store, StoreError

__all__ = ["CLIP_REMARK", "EXAM_REMARK", "DamagedResults", "remove_damaged_results"]

EXAM_REMARK = "its kept result was damaged on the disk, and was estimated anew."
CLIP_REMARK = "its kept scan was damaged on the disk, and the clip was read again."
# Scans and exams that each night verifies at least; more would take longer than a night with nothing new may
# (common practice, no source).
LEAST_VERIFIED = 2000


@dataclass(frozen=True)
class DamagedResults:
    """exams : animal and date of those whose kept result is lost;  clips : SHA-256 of those whose kept scan is lost

    trouble : what went wrong with the store itself
    """

    exams: frozenset[tuple[str, str]] = frozenset()
    clips: frozenset[str] = frozenset()
    trouble: tuple[ExamProblem, ...] = ()

    def problems(self, out: Path, exams: Sequence[Exam]) -> list[ExamProblem]:
        """What this run, over these exams, cannot compute again."""
        lost = self.exams - {(exam.animal, exam.date.isoformat()) for exam in exams}
        return [
            *(
                ExamProblem(
                    out / animal / date,
                    f"{animal} {date}: its kept result was damaged on the disk, and is left out here. Run the batch "
                    "over its recordings again.",
                )
                for animal, date in sorted(lost)
            ),
            *self.trouble,
        ]


def remove_damaged_results(store: Store, seen: SeenFolders, days: int | None) -> DamagedResults:
    """Remove damaged rows of the store, and forget the exams that need them.

    days : within which each row is verified once, where there are many; None to verify all now, 0 for none: rows are
    verified in any case when they are read

    A store in which not even that is possible is a problem of the report, and the night goes on.
    """
    if days == 0:
        return DamagedResults()
    try:
        parts = 1 if days is None else max(1, min(days, store.row_number() // LEAST_VERIFIED))
        removed = store.remove_damaged_rows(parts, dt.datetime.now(dt.UTC).toordinal() % parts)
    except StoreError as error:
        return DamagedResults(trouble=(ExamProblem(store.database.path, str(error)),))
    trouble = [
        ExamProblem(
            store.database.path,
            f"{store.database.name}: {row.label} is damaged and cannot be removed. Move the file away and run the same "
            "command again; all clips are then read again.",
        )
        for row in removed
        if not row.is_removed
    ]
    clips = frozenset(row.clip_sha256 for row in removed if row.clip_sha256 is not None)
    seen.forget_recordings(clips)
    return DamagedResults(frozenset(row.exam for row in removed if row.exam is not None), clips, tuple(trouble))
