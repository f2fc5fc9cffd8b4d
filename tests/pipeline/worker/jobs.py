"""Jobs for workers, which find them by their names."""

from __future__ import annotations

import os
import signal
import time

import numpy as np

from pipeline.worker.job_loop import Progress
from pipeline.worker.job_pool import UnsuitableProcessError

__all__ = [
    "UnportableError",
    "add",
    "describe",
    "describe_place",
    "die",
    "end_politely",
    "fill_memory",
    "leave",
    "length",
    "place",
    "prepare",
    "raise_error",
    "steps",
    "wait",
]


class UnportableError(Exception):
    """An error that pickle cannot restore."""

    def __init__(self, one: int, two: int) -> None:
        super().__init__(f"{one} and {two}")


def prepare(number: int) -> list[int]:
    return [number]


def describe(kept: list[int], progress: Progress) -> int:
    return kept[0]


def describe_place(kept: list[int], progress: Progress) -> str:
    return "another network" if os.environ.get("PLACE") == "odd" else "the same everywhere"


class NotHereError(UnsuitableProcessError):
    def is_so_here(self) -> bool:
        return False


def place(kept: list[int], progress: Progress, *forbidden: str) -> str:
    """Where this process is. Raises NotHereError where the job cannot be done."""
    here = os.environ["PLACE"]
    if here in forbidden:
        raise NotHereError("this job cannot be done, not here")
    return here


def leave() -> None:
    os._exit(3)


def add(kept: list[int], progress: Progress, number: int) -> tuple[list[int], int]:
    kept.append(number)
    return kept, os.getpid()


def steps(kept: list[int], progress: Progress, number: int, seconds: float) -> int:
    for _ in range(number):
        time.sleep(seconds)
        progress(2)
    return number


def wait(kept: list[int], progress: Progress) -> None:
    time.sleep(600)


def length(kept: list[int], progress: Progress, content: bytes) -> int:
    return len(content)


def fill_memory(kept: list[int], progress: Progress, mib: int) -> int:
    return int(np.ones(mib * 2**20, np.uint8).sum() // 2**20)


def die(kept: list[int], progress: Progress) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def end_politely(kept: list[int], progress: Progress) -> str:
    """What a terminal or a session sends to all processes must not end a job."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        os.kill(os.getpid(), number)
    return "still here"


def raise_error(kept: list[int], progress: Progress) -> None:
    raise UnportableError(1, 2)
