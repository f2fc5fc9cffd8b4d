"""A worker process that reads files under limits of time and memory, and is replaced when it fails."""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from pipeline.settings import Settings, load_settings

__all__ = ["READ_OUTCOMES", "ReadOutcome", "Reader", "Worker", "WorkerLimits"]

ReadOutcome = Literal["read", "read in part", "refused", "failed", "crashed", "out of time"]
READ_OUTCOMES: tuple[ReadOutcome, ...] = ("read", "read in part", "refused", "failed", "crashed", "out of time")

# Reads a file, and returns the outcome and a message.
Reader = Callable[[Path, Settings], tuple[ReadOutcome, str]]

# The time on the clock may be this many times the limit of processor time, for a busy machine. No source.
_MAX_WAIT_FACTOR = 10
_POLL_INTERVAL_S = 1.0


@dataclass(frozen=True)
class WorkerLimits:
    """Limits of a worker.

    cpu_seconds : processor time for one file; the time on the clock may be ten times as long
    extra_memory_mb : memory in addition to that of the loaded program
    """

    cpu_seconds: float = 60.0
    extra_memory_mb: int = 2048


class Worker:
    """A process that reads files one by one. If it dies or is stopped, a new process replaces it."""

    def __init__(self, limits: WorkerLimits, reader: Reader) -> None:
        self._limits = limits
        self._reader = reader
        # Not forked, since FFmpeg and OpenCV have threads in this process.
        self._context = multiprocessing.get_context("spawn")
        self._process: Any = None
        self._pipe: Any = None
        self.peak_memory_mb = 0

    def __enter__(self) -> Worker:
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
            while not self._pipe.poll(min(limit, _POLL_INTERVAL_S)):
                seconds = _cpu_seconds(self._process.pid) - cpu_start_s
                waited = time.monotonic() - start
                if seconds > limit or waited > _MAX_WAIT_FACTOR * limit:
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
        # The first answer comes when everything is loaded, so that no file includes that time.
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
