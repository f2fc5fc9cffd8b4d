"""What the store lost on the disk since the last run: removed before this one, and computed again where it can be."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams.exam_search import ExamProblem
from pipeline.store.store import Store, StoreError

__all__ = ["CLIP_REMARK", "EXAM_REMARK", "DamagedResults", "remove_damaged_results"]

EXAM_REMARK = "its kept result was damaged on the disk, and was estimated anew."
CLIP_REMARK = "its kept scan was damaged on the disk, and the clip was read again."


@dataclass(frozen=True)
class DamagedResults:
    """exams : animal and date of those whose kept result is lost;  clips : SHA-256 of those whose kept scan is lost

    problems : what this run cannot compute again
    """

    exams: frozenset[tuple[str, str]] = frozenset()
    clips: frozenset[str] = frozenset()
    problems: tuple[ExamProblem, ...] = ()


def remove_damaged_results(store: Store, out: Path, exams: Collection[tuple[str, str]]) -> DamagedResults:
    """Remove every damaged row of the store. exams : animal and date of those of this run

    A store in which not even that is possible is a problem of the report, and the night goes on.
    """
    try:
        removed = store.remove_damaged_rows()
    except StoreError as error:
        return DamagedResults(problems=(ExamProblem(store.path, str(error)),))
    lost = {row.exam for row in removed if row.exam is not None}
    problems = [
        ExamProblem(
            out / animal / date,
            f"{animal} {date}: its kept result was damaged on the disk, and is left out here. Run the batch over its "
            "recordings again.",
        )
        for animal, date in sorted(lost - set(exams))
    ]
    problems += [
        ExamProblem(
            store.path,
            f"{store.path}: {row.label} is damaged and cannot be removed. Move the file away and run the same command "
            "again; all clips are then read again.",
        )
        for row in removed
        if not row.is_removed
    ]
    clips = {row.clip_sha256 for row in removed if row.clip_sha256 is not None}
    return DamagedResults(frozenset(lost), frozenset(clips), tuple(problems))
