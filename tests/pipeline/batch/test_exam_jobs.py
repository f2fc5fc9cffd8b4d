"""Exams are estimated by the workers: in order for each animal, a few at a time, and each fails alone."""

from __future__ import annotations

import datetime as dt
import os
import signal
from collections import Counter
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import Any, NoReturn
from unittest.mock import patch

import hypothesis.strategies as st
import pytest
from hypothesis import given

from pipeline.batch import exam_job
from pipeline.batch.events import BatchEvent, ExamFinished, ExamStarted
from pipeline.batch.exam_job import PackedFile
from pipeline.batch.exam_processor import SPARE_EXAMS, in_rounds
from pipeline.batch.workers import BatchWorkers
from pipeline.exams.exam import Exam
from tests.pipeline.batch.three_animals import film_three_animals, run
from tests.pipeline.blob_finder import BlobFinder


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


def write_unreadable_exam(root: Path, animal: str, date: str) -> None:
    """An exam that takes no time to read."""
    folder = root / animal / date
    folder.mkdir(parents=True)
    (folder / "left-1.mp4").write_text(f"no film of {animal} on {date}\n" * 20)
    os.utime(folder / "left-1.mp4", (1.7e9, 1.7e9))  # it is not still being copied


class HarmsExamOf(BlobFinder):
    """In the process that loads this detector, the estimate of one animal's exam crashes it, or raises an error."""

    def __init__(self, animal: str, harm: str) -> None:
        super().__init__()
        original = exam_job.estimate_exam

        def estimate(exam: Exam, *arguments: Any, **options: Any) -> Any:
            if exam.animal == animal:
                do_harm(harm)
            return original(exam, *arguments, **options)

        exam_job.estimate_exam = estimate


def do_harm(harm: str) -> NoReturn:
    if harm == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    raise ZeroDivisionError("on purpose")


@pytest.mark.usefixtures("worker_processes")
@pytest.mark.parametrize(
    ("harm", "reason", "has_trace"),
    [
        ("crash", "estimating it crashed (SIGSEGV); the next run tries again.", False),
        ("error", "unexpected ZeroDivisionError: on purpose", True),
    ],
)
def test_an_exam_that_harms_its_worker_fails_alone(
    root: Path, tmp_path: Path, harm: str, reason: str, *, has_trace: bool
) -> None:
    report = run(root, tmp_path / "out", partial(HarmsExamOf, "AF-0002", harm))
    assert [exam.status for exam in report.exams] == ["written", "failed", "written"]
    failed = report.exams[1]
    assert (failed.reason, failed.written_to, [clip.status for clip in failed.clips]) == (reason, None, ["read"])
    assert (failed.trace is not None and "do_harm" in failed.trace) == has_trace
    assert not (tmp_path / "out" / "AF-0002").exists()
    again = run(root, tmp_path / "out")
    assert [(exam.status, exam.clips[0].status) for exam in again.exams if exam.animal == "AF-0002"] == [
        ("written", "kept")
    ]


@pytest.mark.usefixtures("worker_processes")
def test_few_exams_are_begun_at_a_time_and_those_of_an_animal_one_after_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(1, 5):
        for date in ("2026-05-14", "2026-05-20"):
            write_unreadable_exam(tmp_path / "root", f"AF-000{number}", date)
    in_work: list[str] = []
    most = 0
    original = BatchWorkers.process

    def process(workers: BatchWorkers, job: exam_job.ExamJob, on_end: Any) -> None:
        nonlocal most
        assert job.exam.animal not in in_work
        assert len(job.background.earlier) == (job.exam.date == dt.date(2026, 5, 20))
        in_work.append(job.exam.animal)
        most = max(most, len(in_work))
        original(workers, job, on_end)

    events: list[tuple[type[BatchEvent], str, str]] = []

    def note(event: BatchEvent) -> None:
        if isinstance(event, ExamStarted):
            events.append((ExamStarted, event.animal, event.date))
        elif isinstance(event, ExamFinished):
            in_work.remove(event.report.animal)
            events.append((ExamFinished, event.report.animal, event.report.date))

    monkeypatch.setattr(BatchWorkers, "process", process)
    report = run(tmp_path / "root", tmp_path / "out", processes=1, on_event=note)
    assert [(exam.animal, exam.date) for exam in report.exams] == sorted(
        (exam.animal, exam.date) for exam in report.exams
    )
    assert 1 < most <= 1 + SPARE_EXAMS
    in_order = [(f"AF-000{number}", date) for date in ("2026-05-14", "2026-05-20") for number in range(1, 5)]
    for kind in (ExamStarted, ExamFinished):
        assert [(animal, date) for each, animal, date in events if each is kind] == in_order


def exam(animal: str, day: int) -> Exam:
    return Exam(Path(animal, str(day)), animal, dt.date(2026, 1, 1 + day), None, None, None, None, 0, ())


@given(st.sets(st.tuples(st.sampled_from("ABab"), st.integers(0, 8))))
def test_rounds_hold_one_exam_of_each_animal_and_keep_her_order(keys: set[tuple[str, int]]) -> None:
    ordered = in_rounds(exam(animal, day) for animal, day in keys)
    assert {(each.animal, each.date.day - 1) for each in ordered} == keys
    seen: Counter[str] = Counter()
    numbers = []
    for each in ordered:
        numbers.append(seen[each.animal.casefold()])
        seen[each.animal.casefold()] += 1
    assert numbers == sorted(numbers)
    for animal in "ab":
        dates = [each.date for each in ordered if each.animal.casefold() == animal]
        assert dates == sorted(dates)


@given(st.lists(st.binary(max_size=12)))
def test_a_file_is_the_same_after_its_way_and_what_is_large_is_compressed(chunks: list[bytes]) -> None:
    content = b"".join(chunks)
    with patch.object(exam_job, "BLOCK_BYTES", 16):
        packed = PackedFile.of(iter_once(chunks))
        assert b"".join(packed.chunks()) == content
    assert len(packed.rest) < 16
    assert bool(packed.blocks) == (len(content) >= 16)


def iter_once(chunks: Iterable[bytes]) -> Iterable[bytes]:
    yield from chunks
