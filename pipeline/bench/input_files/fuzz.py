"""Reads thousands of damaged files as the nightly run would. None may crash, hang or fill the memory.

A worker process with a memory limit reads each file, and its parent process measures the time. So every failure is
counted, and the next file is read. A case is determined by the seed and its number.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

import numpy as np

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.bench.input_files.file_damage import damage_content
from pipeline.bench.input_files.sample_files import write_sample_files
from pipeline.exams.exam_search import ExamClip, find_exams
from pipeline.ingest.recording_identity import identify_recording
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings, load_settings

__all__ = ["FuzzCase", "FuzzLimits", "FuzzReport", "fuzz"]

ReadOutcome = Literal["read", "read in part", "refused", "failed", "crashed", "out of time"]
READ_OUTCOMES: tuple[ReadOutcome, ...] = ("read", "read in part", "refused", "failed", "crashed", "out of time")
HARMLESS_OUTCOMES = frozenset({"read", "read in part", "refused"})

# A worker may wait this many times its processor time, for files or for a busy machine. No source.
MAX_WAIT_FACTOR = 10
POLL_INTERVAL_S = 1.0
_SHOWN_FAILURES = 20  # in the table; the document contains all

# Reads a file, and returns the outcome and a message.
Reader = Callable[[Path, Settings], tuple[ReadOutcome, str]]


@dataclass(frozen=True)
class FuzzLimits:
    """Limits of a worker.

    cpu_seconds : processor time for one case; the time on the clock may be ``MAX_WAIT_FACTOR`` times as long
    extra_memory_mb : memory in addition to that of the loaded program
    """

    cpu_seconds: float = 60.0
    extra_memory_mb: int = 2048


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
    limits: FuzzLimits | None = None,
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
    with _Worker(limits or FuzzLimits(), reader or read_file) as worker:
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


class _Worker:
    """A process that reads files one by one. If it dies or is stopped, a new process replaces it."""

    def __init__(self, limits: FuzzLimits, reader: Reader) -> None:
        self._limits = limits
        self._reader = reader
        # Not forked, since FFmpeg and OpenCV have threads in this process.
        self._context = multiprocessing.get_context("spawn")
        self._process: Any = None
        self._pipe: Any = None
        self.peak_memory_mb = 0

    def __enter__(self) -> _Worker:
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def read(self, path: Path) -> tuple[ReadOutcome, str, float]:
        """The outcome, a message, and the processor time in seconds."""
        limit, start = self._limits.cpu_seconds, time.monotonic()
        cpu_start_s = _cpu_seconds(self._process.pid)
        self._pipe.send(path)
        seconds = 0.0
        try:
            while not self._pipe.poll(min(limit, POLL_INTERVAL_S)):
                seconds = _cpu_seconds(self._process.pid) - cpu_start_s
                waited = time.monotonic() - start
                if seconds > limit or waited > MAX_WAIT_FACTOR * limit:
                    self._restart()
                    return "out of time", f"not done after {seconds:.1f} s of processor time in {waited:.0f} s", seconds
            outcome, message, memory_mb = self._pipe.recv()
        except EOFError:
            self._process.join()
            code = self._process.exitcode or 0
            self._restart()
            message = signal.Signals(-code).name if code < 0 else f"exit code {code}"
            return "crashed", message, seconds
        self.peak_memory_mb = max(self.peak_memory_mb, memory_mb)
        return outcome, message, _cpu_seconds(self._process.pid) - cpu_start_s

    def _start(self) -> None:
        self._pipe, worker_pipe = self._context.Pipe()
        arguments = (worker_pipe, self._limits.extra_memory_mb, self._reader)
        self._process = self._context.Process(target=_serve, args=arguments, daemon=True)
        self._process.start()
        worker_pipe.close()
        # The first answer comes when everything is loaded, so that no case includes that time.
        self._pipe.recv()

    def _stop(self) -> None:
        self._process.kill()
        self._process.join()
        self._pipe.close()

    def _restart(self) -> None:
        self._stop()
        self._start()


def _serve(pipe: Connection, memory_mb: int, reader: Reader) -> None:
    """The main loop of a worker: receives paths and sends outcomes."""
    # Decoders print errors to stderr, thousands of them here.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    settings = load_settings()
    program_bytes = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = program_bytes + memory_mb * 2**20
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    pipe.send(None)
    while True:
        try:
            path = pipe.recv()
        except EOFError:
            return
        try:
            outcome, message = reader(path, settings)
        except Exception as error:
            outcome, message = "failed", f"{type(error).__name__}: {error}"
        pipe.send((outcome, message, _peak_memory_mb()))


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


def _cpu_seconds(process: int) -> float:
    """The processor time of a process so far; 0 if it has ended (proc(5), fields 14 and 15 of stat)."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _peak_memory_mb() -> int:
    """The peak memory of this process in MB.

    ru_maxrss is not usable: on Linux it includes the peak of the process that started this one.
    """
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1024
    raise RuntimeError("This system does not report the peak memory of a process. Run the measurement on Linux.")
