"""A people's file with something of every kind in it."""

from __future__ import annotations

import datetime as dt
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.exams.outcomes import Outcome
from pipeline.people.answers import AddComment, ReopenExam, SignExam
from pipeline.people.event_log import EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import add_outcomes
from pipeline.people.users import User, Users

EXAM, OTHER = ExamKey("AF-0412", "2026-05-14"), ExamKey("AF-0413", "2026-05-15")
COUNTS = {"shelled": [5, 6, 6, 7]}
PASSWORD = "a long enough word"


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


def everything(out: Path) -> object:
    """All that can be read from a people's file, read as the program reads it."""
    with closing(Journal(out, create=False)) as journal, journal.reading() as reader:
        entries = [reader.entry(number) for number in range(1, reader.tip.length + 1)]
        users = Users(journal)
        return entries, users.list_users(), users.find("Orla Finch"), reader.passwords()


@pytest.fixture
def out(tmp_path: Path) -> Path:
    say(tmp_path)
    return tmp_path
