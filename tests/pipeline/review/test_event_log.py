"""Answers are only ever added, each with its own number, whoever comes at the same moment."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.review.answers import Comment
from pipeline.review.event_log import Entry, ExamKey, Journal, JournalError, journal_path

EXAM = ExamKey("AF-0412", "2026-05-14")


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal(tmp_path)


def entry(census: int, request: str, text: str = "seen") -> Entry:
    return Entry("Orla Finch", request, census, Comment(text=text), {}, {})


def test_answers_are_numbered_within_their_exam_and_read_as_they_were_given(journal: Journal) -> None:
    other = ExamKey("AF-0413", "2026-05-14")
    for exam in (EXAM, other):
        census = journal.keep_census(exam, "f", "{}")
        for n in range(3):
            journal.append(exam, f"r{n}", lambda events, n=n, census=census: entry(census, f"r{n}", f"comment {n}"))
    assert [event.sequence for event in journal.events(EXAM)] == [1, 2, 3]
    assert [event.answer for event in journal.events(other)] == [Comment(text=f"comment {n}") for n in range(3)]
    assert [logged.exam for logged in journal.newer(2)] == [EXAM, other, other, other]
    assert (journal.head(EXAM), journal.head(ExamKey("AF-9999", "2026-05-14"))) == (3, 0)


def test_the_file_refuses_to_forget(journal: Journal, tmp_path: Path) -> None:
    census = journal.keep_census(EXAM, "f", "{}")
    journal.append(EXAM, "r", lambda events: entry(census, "r"))
    with closing(sqlite3.connect(journal_path(tmp_path))) as rows:
        for statement in ("UPDATE events SET person = 'x'", "DELETE FROM events", "DELETE FROM censuses"):
            with pytest.raises(sqlite3.IntegrityError, match=r"only ever added|stays as it was"):
                rows.execute(statement)


def test_a_request_sent_again_is_kept_once(journal: Journal) -> None:
    census = journal.keep_census(EXAM, "f", "{}")
    first = journal.append(EXAM, "r", lambda events: entry(census, "r"))
    again = journal.append(EXAM, "r", lambda events: entry(census, "r", "something else"))
    assert again == first == journal.events(EXAM)[0]
    assert journal.head(EXAM) == 1


def test_what_the_decision_raises_keeps_nothing(journal: Journal) -> None:
    with pytest.raises(KeyError):
        journal.append(EXAM, "r", lambda events: {}["no"])  # type: ignore[index]
    assert journal.events(EXAM) == ()


def test_twenty_writers_lose_nothing(journal: Journal) -> None:
    census = journal.keep_census(EXAM, "f", "{}")
    seen: list[int] = []

    def write(n: int) -> int:
        def decide(events: tuple[object, ...]) -> Entry:
            seen.append(len(events))
            return entry(census, f"r{n}", f"comment {n}")

        return journal.append(EXAM, f"r{n}", decide).sequence

    with ThreadPoolExecutor(20) as pool:
        given = sorted(pool.map(write, range(100)))
    assert given == list(range(1, 101))
    assert seen == list(range(100))  # nothing came between reading and adding
    assert {event.request for event in journal.events(EXAM)} == {f"r{n}" for n in range(100)}


def test_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    with closing(sqlite3.connect(journal_path(tmp_path))) as rows:
        rows.execute("PRAGMA user_version = 99")
    with pytest.raises(JournalError, match="newer version"):
        Journal(tmp_path)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    journal_path(tmp_path).write_bytes(b"not a database at all, and long enough to be looked at" * 20)
    with pytest.raises(JournalError, match=r"reviews\.sqlite"):
        Journal(tmp_path)
