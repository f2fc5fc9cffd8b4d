"""Damaged files, thousands of them, read as a night would read them: none may crash, hang or fill the memory.

Every case is read by a worker process under a limit of memory, and the process that began it keeps the time, so that
whatever goes wrong is counted and the next case goes on. A case follows from the seed and its number alone.
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

# Of a worker that waits for something that never comes, or that the machine has no time for.
MAX_WAIT_FACTOR = 10
POLL_INTERVAL_S = 1.0

# File to read -> what came of it, and words on it.
Reader = Callable[[Path, Settings], tuple[ReadOutcome, str]]


@dataclass(frozen=True)
class FuzzLimits:
    """cpu_seconds : of processor time for one case, and so many times that of waiting, on however busy a machine

    extra_memory_mb : that a worker may take beyond what the program itself takes
    """

    cpu_seconds: float = 60.0
    extra_memory_mb: int = 2048


@dataclass(frozen=True)
class FuzzCase:
    """One damaged file. damage : what was done to it;  message : the reason of a refusal, or what went wrong"""

    number: int
    file: str
    damage: str
    outcome: ReadOutcome
    message: str
    seconds: float


@dataclass(frozen=True)
class FuzzReport:
    """peak_memory_mb : the most that a worker held;  failures : the cases that were not harmless"""

    seed: int
    cases: int
    outcomes_by_file: dict[str, dict[str, int]]
    slowest: FuzzCase | None
    peak_memory_mb: int
    seconds: float
    failures: tuple[FuzzCase, ...]

    def document(self) -> dict[str, Any]:
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
        """The outcomes by file, in columns."""
        width = max(map(len, [*self.outcomes_by_file, "all"]))
        total: Counter[str] = Counter()
        lines = [" " * width + "".join(f"{outcome:>14}" for outcome in READ_OUTCOMES)]
        for file, counts in self.outcomes_by_file.items():
            total.update(counts)
            lines.append(f"{file:<{width}}" + "".join(f"{counts.get(outcome, 0):>14,}" for outcome in READ_OUTCOMES))
        lines.append(f"{'all':<{width}}" + "".join(f"{total[outcome]:>14,}" for outcome in READ_OUTCOMES))
        lines += [f"case {c.number}, {c.file}, {c.damage}: {c.outcome}. {c.message}" for c in self.failures[:20]]
        slowest = f", the slowest case {self.slowest.seconds:.2f} s" if self.slowest else ""
        lines.append(f"{self.cases:,} cases in {self.seconds:.0f} s{slowest}; {self.peak_memory_mb:,} MB at most.")
        return "\n".join(lines)


def fuzz(
    folder: Path,
    cases: int,
    seed: int,
    *,
    limits: FuzzLimits | None = None,
    reader: Reader | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> FuzzReport:
    """Reads that many damaged files. folder : made, and holds the files of the cases that failed afterwards

    reader : what a worker reads each file with; a function of a module, by default one that scans it whole
    """
    began = time.monotonic()
    healthy = write_sample_files(folder / "healthy")
    contents = {path.name: path.read_bytes() for path in healthy}
    names = list(contents)
    outcomes: dict[str, Counter[str]] = {name: Counter() for name in names}
    failures: list[FuzzCase] = []
    slowest: FuzzCase | None = None
    # A day's folder, so that a side file is read as a night would.
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
    """A process that reads files one by one; one that died or was stopped is replaced by a new one."""

    def __init__(self, limits: FuzzLimits, reader: Reader) -> None:
        self._limits = limits
        self._reader = reader
        # Forked from nothing that holds threads, as FFmpeg's and OpenCV's would be.
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
        """Outcome, words on it, seconds of processor time."""
        limit, began, worked = self._limits.cpu_seconds, time.monotonic(), _worked_s(self._process.pid)
        self._pipe.send(path)
        seconds = 0.0
        try:
            while not self._pipe.poll(min(limit, POLL_INTERVAL_S)):
                seconds = _worked_s(self._process.pid) - worked
                waited = time.monotonic() - began
                if seconds > limit or waited > MAX_WAIT_FACTOR * limit:
                    self._restart()
                    return "out of time", f"not done after {seconds:.1f} s of work in {waited:.0f} s", seconds
            outcome, message, memory_mb = self._pipe.recv()
        except EOFError:
            self._process.join()
            code = self._process.exitcode or 0
            self._restart()
            died = signal.Signals(-code).name if code < 0 else f"exit code {code}"
            return "crashed", died, seconds
        self.peak_memory_mb = max(self.peak_memory_mb, memory_mb)
        return outcome, message, _worked_s(self._process.pid) - worked

    def _start(self) -> None:
        self._pipe, theirs = self._context.Pipe()
        arguments = (theirs, self._limits.extra_memory_mb, self._reader)
        self._process = self._context.Process(target=_serve, args=arguments, daemon=True)
        self._process.start()
        theirs.close()
        # The first answer says that everything is loaded, so that no case's time holds it.
        self._pipe.recv()

    def _stop(self) -> None:
        self._process.kill()
        self._process.join()
        self._pipe.close()

    def _restart(self) -> None:
        self._stop()
        self._start()


def _serve(pipe: Connection, memory_mb: int, reader: Reader) -> None:
    """The worker's life: paths in, outcomes out."""
    # The libraries below complain by themselves, thousands of times here.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    settings = load_settings()
    own = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    bound = own + memory_mb * 2**20
    resource.setrlimit(resource.RLIMIT_AS, (bound, bound))
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
        pipe.send((outcome, message, _most_held_mb()))


def read_file(path: Path, settings: Settings) -> tuple[ReadOutcome, str]:
    """Tells what a recording is and scans it with a detector that sees nothing; of a side file, finds its exam."""
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


def _worked_s(process: int) -> float:
    """Processor time that a process has taken so far; 0 of one that is gone (proc(5), fields 14 and 15 of stat)."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _most_held_mb() -> int:
    """The most memory that this process has held, MB.

    ru_maxrss will not do: Linux carries that of the process that started this one over into it.
    """
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1024
    raise RuntimeError("This system does not tell how much memory a process has held; run the trial on Linux.")
