"""An output folder with something of every kind in it, and recordings for small nights."""

from __future__ import annotations

import datetime as dt
from contextlib import closing
from pathlib import Path

from pipeline.bench.input_files.sample_files import moving_speckle, write_video
from pipeline.exams.outcomes import Outcome
from pipeline.people.answers import AddComment, ReopenExam, SignExam
from pipeline.people.event_log import EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import add_outcomes
from pipeline.people.users import User, Users
from pipeline.store.store import RunOutcome, ScanKey, Store, StoredExam, StoredPicture, StoredScan

__all__ = ["COUNTS", "EXAM", "OTHER", "PASSWORD", "keep", "kept", "said", "say", "write_recordings"]

EXAM, OTHER = ExamKey("AF-0412", "2026-05-14"), ExamKey("AF-0413", "2026-05-15")
COUNTS = {"shelled": [5, 6, 6, 7]}
PASSWORD = "a long enough word"
REFUSED = "d" * 64
KEYS = [ScanKey(f"{n:064x}", "m" * 64, "s" * 64, "openvino") for n in range(3)]
SCANS = [StoredScan(bytes(range(200)) * n, (StoredPicture(n, 7, (1, 2, 3, 2, n), b"jpeg" * 300),)) for n in range(1, 4)]
EXAMS = [StoredExam(*exam, "f" * 64, '{"a": 1}' * 99, ()) for exam in (EXAM, OTHER)]


def say(out: Path) -> None:
    """Two accounts, six answers about two exams with a signature each, one of them reopened, and two outcomes."""
    with closing(Journal(out)) as journal:
        users, event_log = Users(journal), EventLog(journal)
        users.save(User("Orla Finch", "veterinarian", "sign"), PASSWORD)
        users.add_name("Ned Rush", "nurse")
        for exam in (EXAM, OTHER):
            snapshot = event_log.save_snapshot(exam, "f" * 64, '{"eggs": []}')
            answers = [
                AddComment(text="seen"),
                SignExam(name="Orla Finch", role="veterinarian", logged_in=True),
                *([ReopenExam(reason="a slip")] if exam == OTHER else [AddComment(text="late")]),
            ]
            with event_log.transaction(exam) as transaction:
                for n, answer in enumerate(answers):
                    transaction.append(EventContent("Orla Finch", f"request-{n}", snapshot, answer, COUNTS, COUNTS))
        laid = Outcome("AF-0412", "laid", dt.date(2026, 5, 20), 6, "K. Sedge", "two broken")
        add_outcomes(journal, [laid, Outcome("AF-0412", "laid", dt.date(2026, 5, 20), 7)])


def said(out: Path) -> object:
    """All that can be read from a people's file, read as the program reads it."""
    with closing(Journal(out, create=False)) as journal, journal.reading() as reader:
        entries = [reader.entry(number) for number in range(1, reader.tip.length + 1)]
        users = Users(journal)
        return entries, users.list_users(), users.find("Orla Finch"), reader.passwords()


def keep(out: Path) -> None:
    """A store with a run, three scans, two exams and a refusal."""
    with Store(out) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
        for key, scan in zip(KEYS, SCANS, strict=True):
            store.save_scan(key, scan)
        for exam in EXAMS:
            store.save_exam(exam, run)
        store.save_refusal(REFUSED, "it crashed")
        store.finish_run(run, RunOutcome.DONE)


def kept(out: Path) -> list[object]:
    """All that can be read from that store, read as the program reads it: None where a row counts as absent."""
    with Store(out) as store:
        listed = {(exam.animal, exam.date): exam for exam in store.exams()}
        return [
            *(store.scan(key) for key in KEYS),
            *(store.exam(exam.animal, exam.date) for exam in EXAMS),
            *(listed.get((exam.animal, exam.date)) for exam in EXAMS),
            *(store.engine_name(exam.animal, exam.date) for exam in EXAMS),
            store.refusal(REFUSED),
        ]


def write_recordings(root: Path, *, frames: int = 40) -> None:
    """Three exams with four clips of moving speckle."""
    clips = {"AF-0001": ("left-1", "right-1"), "AF-0002": ("left-1",), "AF-0003": ("right-1",)}
    for number, (animal, names) in enumerate(clips.items()):
        folder = root / animal / "2026-05-14"
        folder.mkdir(parents=True)
        for name in names:
            pictures = moving_speckle(frames, seed=10 * number + len(name))
            write_video(folder / f"{name}.avi", "mjpeg", "yuvj420p", pictures)
