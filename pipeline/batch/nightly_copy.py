"""The dated copy of what people said, once a night."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from pipeline.exams.exam_search import ExamProblem
from pipeline.people.chain import JournalError
from pipeline.people.dated_copies import copy_files
from pipeline.people.journal import Journal
from pipeline.settings_tables import BackupSettings
from pipeline.store.dated_copies import CopyError, copies_folder, find_copies, remove_old_copies

__all__ = ["make_nightly_copy"]


def make_nightly_copy(out: Path, journal: Journal, settings: BackupSettings) -> list[ExamProblem]:
    """Copy the people's file, unless that was done today or it is empty, and remove old copies.

    The store is not copied: all of it can be computed again. A copy that fails is a problem of the report, and the
    night goes on.
    """
    today = dt.datetime.now(dt.UTC).date()
    try:
        if not journal.tip.length or any(
            copy.reason == "night" and copy.made.date() == today for copy in find_copies(copies_folder(out))
        ):
            return []
        copy_files([journal.path], copies_folder(out), "night")
        remove_old_copies(out, days=settings.daily_copies, months=settings.monthly_copies)
    except (JournalError, CopyError) as error:
        return [ExamProblem(copies_folder(out), str(error))]
    return []
