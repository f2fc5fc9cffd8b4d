"""Reads files as the nightly run does, in a worker process under its limits, and counts what came of it."""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.exams.exam import ExamClip
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.recording_identity import file_sha256, pictures_sha256
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress
from pipeline.worker.limits import WorkerLimits, clip_limits
from pipeline.worker.worker import JobKilledError, Worker

__all__ = ["Reader", "TrialCase", "TrialFile", "TrialReport", "read_file", "read_files"]

Outcome = Literal["read", "read in part", "refused", "failed", "crashed", "out of time", "out of memory"]
_OUTCOMES: tuple[Outcome, ...] = (
    "read",
    "read in part",
    "refused",
    "failed",
    "crashed",
    "out of time",
    "out of memory",
)
_KILLED: dict[str, Outcome] = {"crash": "crashed", "time": "out of time", "memory": "out of memory"}
_HARMLESS = frozenset({"read", "read in part", "refused"})
_SHOWN_FAILURES = 20  # in the table; the document contains all

# A job of a worker that reads a file, and returns the outcome and a message.
Reader = Callable[[Settings, Progress, Path], tuple[Outcome, str]]


@dataclass(frozen=True)
class TrialFile:
    """A file to read. name : its suffix says what it is;  kind : what it is like, for the table"""

    name: str
    kind: str
    content: bytes


@dataclass(frozen=True)
class TrialCase:
    """One file that was read. message : the reason of a refusal, or the error;  seconds : on the clock"""

    number: int
    file: str
    kind: str
    outcome: Outcome
    message: str
    seconds: float


@dataclass(frozen=True)
class TrialReport:
    """The outcomes of all files.

    outcomes : how many had each outcome, by the name of the group
    peak_memory_mib : the most resident memory of a process that read them
    failures : files that did harm, which are kept
    """

    seed: int
    cases: int
    outcomes: dict[str, dict[str, int]]
    slowest: TrialCase | None
    peak_memory_mib: int
    seconds: float
    failures: tuple[TrialCase, ...]

    def document(self) -> dict[str, Any]:
        """The report in types of JSON."""
        return {
            "schema": "clutchlight/reading-trial/1",
            "seed": self.seed,
            "cases": self.cases,
            "seconds": round(self.seconds, 1),
            "memory_mib": self.peak_memory_mib,
            "slowest": None if self.slowest is None else vars(self.slowest),
            "outcomes": self.outcomes,
            "failures": [vars(case) for case in self.failures],
        }

    def table(self) -> str:
        """The outcomes by group, in columns, then the failures."""
        width = max(map(len, [*self.outcomes, "all"]))
        total: Counter[str] = Counter()
        lines = [" " * width + "".join(f"{outcome:>14}" for outcome in _OUTCOMES)]
        for group, counts in self.outcomes.items():
            total.update(counts)
            lines.append(f"{group:<{width}}" + "".join(f"{counts.get(outcome, 0):>14,}" for outcome in _OUTCOMES))
        lines.append(f"{'all':<{width}}" + "".join(f"{total[outcome]:>14,}" for outcome in _OUTCOMES))
        lines += [
            f"case {case.number}, {case.file}, {case.kind}: {case.outcome}. {case.message}"
            for case in self.failures[:_SHOWN_FAILURES]
        ]
        slowest = f", the slowest {self.slowest.seconds:.2f} s ({self.slowest.kind})" if self.slowest else ""
        lines.append(
            f"{self.cases:,} files in {self.seconds:.0f} s{slowest}; peak memory {self.peak_memory_mib:,} MiB."
        )
        return "\n".join(lines)


def read_files(
    folder: Path,
    files: Iterable[TrialFile],
    settings: Settings,
    *,
    seed: int,
    group: Callable[[TrialFile], str],
    reader: Reader | None = None,
    limits: WorkerLimits | None = None,
    progress: Callable[[int], None] = lambda done: None,
) -> TrialReport:
    """Read the files one by one.

    folder : keeps the files that did harm
    seed : what the files were made from, for the report
    group : the line of the table in which a file is counted
    reader, limits : by default `read_file`, under the limits of the settings
    progress : called with the number of files that were read
    """
    began = time.monotonic()
    outcomes: dict[str, Counter[str]] = defaultdict(Counter)
    failures: list[TrialCase] = []
    cases: list[TrialCase] = []
    # An exam folder, so that exam.toml is read as in the nightly run.
    exam = folder / "AF-0001" / "2026-05-14"
    exam.mkdir(parents=True, exist_ok=True)
    worker = Worker(partial(_same, settings), limits or clip_limits(settings.run))
    try:
        worker.run(_do_nothing)  # so that no file's time includes the start
        for number, file in enumerate(files):
            path = exam / file.name
            path.write_bytes(file.content)
            start = time.monotonic()
            outcome, message = _outcome(worker, reader or read_file, path)
            case = TrialCase(number, file.name, file.kind, outcome, message, time.monotonic() - start)
            cases.append(case)
            outcomes[group(file)][outcome] += 1
            if outcome not in _HARMLESS:
                failures.append(case)
                (folder / f"case-{number}-{file.name}").write_bytes(file.content)
            path.unlink()
            progress(number + 1)
    finally:
        worker.close()
    return TrialReport(
        seed,
        len(cases),
        {name: dict(sorted(counts.items())) for name, counts in sorted(outcomes.items())},
        max(cases, key=lambda case: case.seconds, default=None),
        worker.peak_memory_mib,
        time.monotonic() - began,
        tuple(failures),
    )


def read_file(settings: Settings, progress: Progress, path: Path) -> tuple[Outcome, str]:
    """Identify a recording and scan it without detections. For ``exam.toml``, find the exam instead."""
    if path.name == "exam.toml":
        search = find_exams(path.parent)
        return ("read", "") if search.exams else ("refused", search.problems[0].reason)
    pictures_sha256(path, settings.ingest, max_packets=1)
    clip = ExamClip(path, path.name, None, None, None)
    scan = scan_clip(clip, file_sha256(path), BlindDetector(), settings, progress)
    if scan.status == "refused":
        return "refused", scan.reason or ""
    return ("read", "") if scan.reason is None else ("read in part", scan.reason)


def _outcome(worker: Worker, reader: Reader, path: Path) -> tuple[Outcome, str]:
    try:
        outcome: tuple[Outcome, str] = worker.run(reader, path)
    except JobKilledError as error:
        return _KILLED[error.cause], str(error)
    except Exception as error:
        return "failed", f"{type(error).__name__}: {error}"
    return outcome


def _same(settings: Settings) -> Settings:
    return settings


def _do_nothing(settings: Settings, progress: Progress) -> None:
    pass
