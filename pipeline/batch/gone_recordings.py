"""Exams whose recordings were archived or moved away: their results stay, and their sheets say so.

A drive that is not connected looks the same, so nothing is said if most exams are gone at once.
"""

from __future__ import annotations

from pipeline.batch.known_exams import MOVED, KnownExams
from pipeline.batch.overview_facts import begin_changes
from pipeline.exams.exam_search import ExamProblem, ExamSearch
from pipeline.people.event_log import ExamKey
from pipeline.people.journal import Journal
from pipeline.settings import Settings
from pipeline.store.atomic_write import OutputError
from pipeline.store.store import Store

__all__ = ["note_gone_recordings"]

ROOT_FACT = "root"
LARGEST_SHARE = 0.5  # of all exams; with more, a drive is probably missing (common practice, no source)


def note_gone_recordings(
    known: KnownExams, search: ExamSearch, store: Store, journal: Journal, settings: Settings
) -> list[ExamProblem]:
    """Note on each exam whose folder is gone that it is. Returns a problem if most are gone at once, or if one fails.

    search : what was found in this run; only folders that are not among it are looked for

    Call it while no run is recorded as running. Raises StoreError, JournalError.
    """
    last_root = known.seen.fact(ROOT_FACT)
    known.seen.save_fact(ROOT_FACT, str(known.root))
    if last_root != str(known.root):
        return []  # several folders of recordings may share one of results
    places = known.seen.folders()
    found = {str(exam.folder) for exam in search.exams} | {exam.folder for exam in search.known}
    try:
        gone = [place for place in places if f"{known.root}/{place}" not in found and not (known.root / place).is_dir()]
    except OSError as error:
        return [ExamProblem(known.root, f"{known.root}: cannot be searched: {error.strerror}.")]
    if len(gone) > LARGEST_SHARE * len(places):
        reason = (
            f"{known.root}: {len(gone):,} of {len(places):,} exam folders are gone. Is the drive connected? "
            "Their results are kept."
        )
        return [ExamProblem(known.root, reason)]
    for place in gone:
        seen = known.seen.exam(place)
        if seen is None or seen.state == MOVED:
            continue
        # Slow to import, and a night with nothing new needs none.
        from pipeline.batch.moved_recordings import note_moved_recordings

        begin_changes(known.seen)
        try:
            note_moved_recordings(ExamKey(seen.animal, seen.date), known, store, journal, settings)
        except OutputError as error:
            return [ExamProblem(known.out / seen.results, str(error))]
        known.seen.save_state(place, MOVED)
    return []
