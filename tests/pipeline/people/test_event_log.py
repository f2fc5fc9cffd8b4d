"""Answers are only added, each with its own number, also when several users answer at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.people.answers import AddComment
from pipeline.people.event_log import Event, EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal

EXAM = ExamKey("AF-0412", "2026-05-14")


@pytest.fixture
def event_log(tmp_path: Path) -> EventLog:
    return EventLog(Journal(tmp_path))


def content(snapshot_id: int, request_id: str, text: str = "seen") -> EventContent:
    return EventContent("Orla Finch", request_id, snapshot_id, AddComment(text=text), {}, {})


def append(event_log: EventLog, event_content: EventContent, exam: ExamKey = EXAM) -> Event:
    with event_log.transaction(exam) as transaction:
        return transaction.append(event_content)


def test_answers_are_numbered_within_their_exam_and_read_as_they_were_stored(event_log: EventLog) -> None:
    other = ExamKey("AF-0413", "2026-05-14")
    for exam in (EXAM, other):
        snapshot_id = event_log.save_snapshot(exam, "f", "{}")
        stored = [append(event_log, content(snapshot_id, f"r{n}", f"comment {n}"), exam) for n in range(3)]
        assert list(event_log.events(exam)) == stored
    assert [event.sequence for event in event_log.events(EXAM)] == [1, 2, 3]
    assert [event.answer for event in event_log.events(other)] == [AddComment(text=f"comment {n}") for n in range(3)]
    assert [logged.exam for logged in event_log.events_after(3)] == [EXAM, other, other, other]
    assert (event_log.head(EXAM), event_log.head(ExamKey("AF-9999", "2026-05-14"))) == (3, 0)


def test_a_stored_request_is_found_again(event_log: EventLog) -> None:
    snapshot_id = event_log.save_snapshot(EXAM, "f", "{}")
    first = append(event_log, content(snapshot_id, "r"))
    with event_log.transaction(EXAM) as transaction:
        assert transaction.find("r") == first
        assert transaction.find("another") is None
    assert event_log.events(EXAM) == (first,)


def test_a_transaction_that_raises_stores_nothing(event_log: EventLog) -> None:
    snapshot_id = event_log.save_snapshot(EXAM, "f", "{}")

    def append_and_fail() -> None:
        with event_log.transaction(EXAM) as transaction:
            transaction.append(content(snapshot_id, "r"))
            raise KeyError

    with pytest.raises(KeyError):
        append_and_fail()
    assert event_log.events(EXAM) == ()


def test_twenty_writers_at_once_lose_nothing(event_log: EventLog) -> None:
    snapshot_id = event_log.save_snapshot(EXAM, "f", "{}")
    lengths: list[int] = []

    def write(n: int) -> int:
        with event_log.transaction(EXAM) as transaction:
            lengths.append(len(transaction.events))
            return transaction.append(content(snapshot_id, f"r{n}", f"comment {n}")).sequence

    with ThreadPoolExecutor(20) as pool:
        sequences = sorted(pool.map(write, range(100)))
    assert sequences == list(range(1, 101))
    assert lengths == list(range(100))  # no event came between reading and adding
    assert {event.request_id for event in event_log.events(EXAM)} == {f"r{n}" for n in range(100)}
