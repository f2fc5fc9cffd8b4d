"""Reads thousands of damaged files as the nightly run would. None may crash, hang or fill the memory.

A worker process reads the files (`worker_process`), so that every failure is counted and the next file is read. A case
is determined by the seed and its number.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.bench.input_files.file_damage import damage_content
from pipeline.bench.input_files.sample_files import write_sample_files
from pipeline.bench.input_files.worker_process import READ_OUTCOMES, Reader, ReadOutcome, Worker, WorkerLimits
from pipeline.exams.exam_search import ExamClip, find_exams
from pipeline.ingest.recording_identity import identify_recording
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings

__all__ = ["FuzzCase", "FuzzReport", "fuzz"]

HARMLESS_OUTCOMES = frozenset({"read", "read in part", "refused"})
_SHOWN_FAILURES = 20  # in the table; the document contains all


@dataclass(frozen=True)
class FuzzCase:
    """One damaged file. damage : the kinds of damage;  message : the reason of a refusal, or the error"""

    number: int
    file: str
    damage: str
    outcome: ReadOutcome
    message: str
    seconds: float


@dataclass(frozen=True)
class FuzzReport:
    """The outcomes of all cases. peak_memory_mb : the most memory of a worker;  failures : cases that did harm"""

    seed: int
    cases: int
    outcomes_by_file: dict[str, dict[str, int]]
    slowest: FuzzCase | None
    peak_memory_mb: int
    seconds: float
    failures: tuple[FuzzCase, ...]

    def document(self) -> dict[str, Any]:
        """The report in types of JSON."""
        return {
            "schema": "clutchlight/fuzz/1",
            "seed": self.seed,
            "cases": self.cases,
            "seconds": round(self.seconds, 1),
            "memory_mb": self.peak_memory_mb,
            "slowest": None if self.slowest is None else vars(self.slowest),
            "files": self.outcomes_by_file,
            "failures": [vars(case) for case in self.failures],
        }

    def table(self) -> str:
        """The outcomes by file, in columns, then the failures."""
        width = max(map(len, [*self.outcomes_by_file, "all"]))
        total: Counter[str] = Counter()
        lines = [" " * width + "".join(f"{outcome:>14}" for outcome in READ_OUTCOMES)]
        for file, counts in self.outcomes_by_file.items():
            total.update(counts)
            lines.append(f"{file:<{width}}" + "".join(f"{counts.get(outcome, 0):>14,}" for outcome in READ_OUTCOMES))
        lines.append(f"{'all':<{width}}" + "".join(f"{total[outcome]:>14,}" for outcome in READ_OUTCOMES))
        lines += [
            f"case {case.number}, {case.file}, {case.damage}: {case.outcome}. {case.message}"
            for case in self.failures[:_SHOWN_FAILURES]
        ]
        slowest = f", the slowest case {self.slowest.seconds:.2f} s" if self.slowest else ""
        lines.append(f"{self.cases:,} cases in {self.seconds:.0f} s{slowest}; peak memory {self.peak_memory_mb:,} MB.")
        return "\n".join(lines)


def fuzz(
    folder: Path,
    cases: int,
    seed: int,
    *,
    limits: WorkerLimits | None = None,
    reader: Reader | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> FuzzReport:
    """Read that many damaged files.

    folder : created if missing; keeps the files of failed cases
    reader : the function with which a worker reads a file, importable from a module; by default `read_file`
    """
    began = time.monotonic()
    intact = write_sample_files(folder / "intact")
    contents = {path.name: path.read_bytes() for path in intact}
    names = list(contents)
    outcomes: dict[str, Counter[str]] = {name: Counter() for name in names}
    failures: list[FuzzCase] = []
    slowest: FuzzCase | None = None
    # An exam folder, so that exam.toml is read as in the nightly run.
    exam = folder / "AF-0001" / "2026-05-14"
    exam.mkdir(parents=True, exist_ok=True)
    (exam / "left-1.png").write_bytes(contents["still.png"])
    with Worker(limits or WorkerLimits(), reader or read_file) as worker:
        for number in range(cases):
            rng = np.random.default_rng([seed, number])
            name = names[number % len(names)]
            content, damage = damage_content(contents[name], contents[names[rng.integers(len(names))]], rng)
            path = exam / name
            path.write_bytes(content)
            case = FuzzCase(number, name, damage, *worker.read(path))
            outcomes[name][case.outcome] += 1
            if case.outcome not in HARMLESS_OUTCOMES:
                failures.append(case)
                (folder / f"case-{number}-{name}").write_bytes(content)
            if slowest is None or case.seconds > slowest.seconds:
                slowest = case
            path.unlink()
            progress(number + 1, cases)
        memory_mb = worker.peak_memory_mb
    return FuzzReport(
        seed,
        cases,
        {name: dict(sorted(counts.items())) for name, counts in outcomes.items()},
        slowest,
        memory_mb,
        time.monotonic() - began,
        tuple(failures),
    )


def read_file(path: Path, settings: Settings) -> tuple[ReadOutcome, str]:
    """Identify a recording and scan it without detections. For ``exam.toml``, find the exam instead."""
    if path.name == "exam.toml":
        search = find_exams(path.parent)
        return ("read", "") if search.exams else ("refused", search.problems[0].reason)
    identity = identify_recording(path, settings.ingest)
    scan = scan_clip(
        ExamClip(path, path.name, None, None, None), identity.sha256, BlindDetector(), settings, lambda frames: None
    )
    if scan.status == "refused":
        return "refused", scan.reason or ""
    return ("read", "") if scan.reason is None else ("read in part", scan.reason)
