"""A real scheduler and real workers of Dask, each a process of its own."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

from distributed import Client

__all__ = ["DaskProcesses"]

ROOT = Path(__file__).parents[3]


class DaskProcesses:
    """Use it in a ``with`` statement."""

    def __init__(self, folder: Path, **environment: str) -> None:
        """folder : for the files of the processes;  environment : of the scheduler"""
        self._folder = folder
        self._processes: list[subprocess.Popen[bytes]] = []
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self._port}"
        self.scheduler = self.start_scheduler(**environment)

    def __enter__(self) -> DaskProcesses:
        return self

    def __exit__(self, *_: object) -> None:
        for process in reversed(self._processes):
            process.kill()
            process.wait()

    def start_scheduler(self, **environment: str) -> subprocess.Popen[bytes]:
        options = ["--host", "127.0.0.1", "--port", str(self._port), "--no-dashboard"]
        return self._start("scheduler", *options, **environment)

    def start_worker(self, *options: str, **environment: str) -> subprocess.Popen[bytes]:
        """With one thread, which reads one clip at a time."""
        command = ["worker", self.address, "--nthreads", "1", "--no-dashboard", "--memory-limit", "0"]
        return self._start(
            *command, "--local-directory", str(self._folder), *(options or ("--no-nanny",)), **environment
        )

    def _start(self, kind: str, *arguments: str, **environment: str) -> subprocess.Popen[bytes]:
        with (self._folder / f"{kind}-{len(self._processes)}.log").open("wb") as log:
            command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *arguments]
            process = subprocess.Popen(
                command,
                stdout=log,
                stderr=log,
                cwd=self._folder,
                env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
            )
        self._processes.append(process)
        return process

    def wait_for_workers(self, number: int) -> None:
        with Client(self.address, timeout=120, set_as_default=False) as client:
            client.wait_for_workers(number, timeout=120)
