"""Settings of all tests."""

from __future__ import annotations

import gc
import os
from pathlib import Path

import pytest
from hypothesis import settings

# Hypothesis uses the same examples in every run, without deadline: a busy machine is not an error of the code.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

# One thread per process: every core runs its own tests, and more threads would not speed up small tensors.
os.environ.setdefault("OMP_NUM_THREADS", "1")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One process per core, at most four, since each imports everything. For single files, only this process."""
    if all(Path(argument.partition("::")[0]).is_file() for argument in config.args):
        return 0
    return min(4, len(os.sched_getaffinity(0)))


def pytest_collection_finish() -> None:
    """Exclude all imported objects from garbage collection, which otherwise took longer than some tests."""
    gc.freeze()
