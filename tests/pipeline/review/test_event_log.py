"""Answers are only ever added, each with its own number, whoever comes at the same moment."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.review.answers import AddComment
from pipeline.review.event_log import EventContent, EventLog, EventLogError, ExamKey, event_log_path

EXAM = ExamKey("AF-0412", "2026-05-14")


@pytest.fixture
def event_log(tmp_path: Path) -> EventLog:
    return EventLog(tmp_path)


def entry(snapshot: int, request: str, text: str = "seen") -> EventContent:
    return EventContent("Orla Finch", request, snapshot, AddComment(text=text), {}, {})


def test_answers_are_numbered_within_their_exam_and_read_as_they_were_given(event_log: EventLog) -> None:
    other = ExamKey("AF-0413", "2026-05-14")
    for exam in (EXAM, other):
        snapshot = event_log.save_snapshot(exam, "f", "{}")
        for n in range(3):
            event_log.append(
                exam, f"r{n}", lambda events, n=n, snapshot=snapshot: entry(snapshot, f"r{n}", f"comment {n}")
            )
    assert [event.sequence for event in event_log.events(EXAM)] == [1, 2, 3]
    assert [event.answer for event in event_log.events(other)] == [AddComment(text=f"comment {n}") for n in range(3)]
    assert [logged.exam for logged in event_log.events_after(2)] == [EXAM, other, other, other]
    assert (event_log.head(EXAM), event_log.head(ExamKey("AF-9999", "2026-05-14"))) == (3, 0)


def test_the_file_refuses_to_forget(event_log: EventLog, tmp_path: Path) -> None:
    snapshot = event_log.save_snapshot(EXAM, "f", "{}")
    event_log.append(EXAM, "r", lambda events: entry(snapshot, "r"))
    with closing(sqlite3.connect(event_log_path(tmp_path))) as rows:
        for statement in ("UPDATE events SET person = 'x'", "DELETE FROM events", "DELETE FROM censuses"):
            with pytest.raises(sqlite3.IntegrityError, match=r"only ever added|stays as it was"):
                rows.execute(statement)


def test_a_request_sent_again_is_kept_once(event_log: EventLog) -> None:
    snapshot = event_log.save_snapshot(EXAM, "f", "{}")
    first = event_log.append(EXAM, "r", lambda events: entry(snapshot, "r"))
    again = event_log.append(EXAM, "r", lambda events: entry(snapshot, "r", "something else"))
    assert again == first == event_log.events(EXAM)[0]
    assert event_log.head(EXAM) == 1


def test_what_the_decision_raises_keeps_nothing(event_log: EventLog) -> None:
    with pytest.raises(KeyError):
        event_log.append(EXAM, "r", lambda events: {}["no"])  # type: ignore[index]
    assert event_log.events(EXAM) == ()


def test_twenty_writers_lose_nothing(event_log: EventLog) -> None:
    snapshot = event_log.save_snapshot(EXAM, "f", "{}")
    seen: list[int] = []

    def write(n: int) -> int:
        def decide(events: tuple[object, ...]) -> EventContent:
            seen.append(len(events))
            return entry(snapshot, f"r{n}", f"comment {n}")

        return event_log.append(EXAM, f"r{n}", decide).sequence

    with ThreadPoolExecutor(20) as pool:
        given = sorted(pool.map(write, range(100)))
    assert given == list(range(1, 101))
    assert seen == list(range(100))  # nothing came between reading and adding
    assert {event.request_id for event in event_log.events(EXAM)} == {f"r{n}" for n in range(100)}


def test_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    with closing(sqlite3.connect(event_log_path(tmp_path))) as rows:
        rows.execute("PRAGMA user_version = 99")
    with pytest.raises(EventLogError, match="newer version"):
        EventLog(tmp_path)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    event_log_path(tmp_path).write_bytes(b"not a database at all, and long enough to be looked at" * 20)
    with pytest.raises(EventLogError, match=r"reviews\.sqlite"):
        EventLog(tmp_path)
