"""Brings ``signed.html``, ``signed.pdf`` and ``signed.json`` of all exams up to date with the journal.

A program that is killed after an answer is stored, and before the files are written or removed, leaves files that show
another state. A signature that the journal does not hold is never removed: it may be all that is left of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, nullcontext
from functools import partial
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.people.signatures import current_signature, current_signatures
from pipeline.review.best_view import usable_clips
from pipeline.review.cases import CaseStore, ReviewCase
from pipeline.review.exam_review import ExamReviews
from pipeline.review.frame_cache import FrameCache, FrameUnavailableError
from pipeline.review.shown_signature import show_the_same, shown_signature, unknown_signature
from pipeline.review.signed_sheet import ReadFrame, remove_signed_sheet, sync_signed_sheet
from pipeline.settings import Settings
from pipeline.store.output_database import has_store

__all__ = [
    "read_case_frame",
    "rebuild_in",
    "rebuild_signature_files",
]


def rebuild_signature_files(
    cases: CaseStore,
    event_log: EventLog,
    read_frame: ReadFrame,
    writing: AbstractContextManager[object] | None = None,
    is_ended: Callable[[], bool] = lambda: False,
) -> Iterator[str]:
    """Write and remove files until they show what the journal says. Yields a sentence for each that could not be.

    writing : held while files are written, where people sign meanwhile;  is_ended : whether to stop early

    Raises StoreError or JournalError.
    """
    signed = current_signatures(event_log)
    for exam, place in cases.folders():
        if is_ended():
            return
        folder = cases.out / place
        if not show_the_same(signed.get(exam), shown_signature(folder)):
            with writing or nullcontext():
                problem = _rebuild(exam, place, cases, event_log, read_frame)
            if problem is not None:
                yield problem


def _rebuild(exam: ExamKey, place: str, cases: CaseStore, event_log: EventLog, read_frame: ReadFrame) -> str | None:
    """Bring the files of one exam up to date, as it is signed now. Returns why that could not be done."""
    folder = cases.out / place
    stored, shown = current_signature(event_log.events(exam)), shown_signature(folder)
    if show_the_same(stored, shown):
        return None
    unknown = None if shown is None else unknown_signature(shown, exam, event_log)
    if unknown is not None:
        return (
            f"{folder}: its files say that {unknown} signed it, which {people_path(cases.out).name} does not hold. "
            "An older copy may be in its place: see `clutchlight check` and `clutchlight restore`."
        )
    try:
        if stored is None:
            remove_signed_sheet(folder)
        elif (case := cases.case(place)) is not None:
            sync_signed_sheet(cases.out, ExamReviews(event_log).current(case), read_frame)
    except ClutchlightError as error:
        return f"{folder}: the signed sheet could not be written anew. {error}"
    return None


def rebuild_in(out: Path, settings: Settings) -> list[str]:
    """The same for an output folder that nobody has opened; nothing is done before its first batch."""
    if not has_store(out):
        return []
    with (
        closing(Journal(out)) as journal,
        closing(CaseStore(out, settings, journal)) as cases,
        closing(FrameCache(settings.ingest)) as frames,
    ):
        return list(rebuild_signature_files(cases, EventLog(journal), partial(read_case_frame, frames)))


def read_case_frame(frames: FrameCache, case: ReviewCase, clip_index: int, index: int) -> bytes:
    """One frame as JPEG. clip_index : place in `usable_clips`. Raises FrameUnavailableError."""
    scan = usable_clips(case.scans)[clip_index]
    if index >= scan.frames:
        raise FrameUnavailableError(f"{scan.file} has no frame {index}.")
    path = next(clip.path for clip in case.exam.clips if clip.file == scan.file)
    # The page opens at a frame that the batch kept, which need not wait until the clip is decoded up to there.
    kept = next((picture.jpeg for picture in scan.pictures.values() if picture.frame == index), None)
    if kept is None:
        return frames.frame(path, scan, index)
    frames.begin(path, scan)
    return kept
