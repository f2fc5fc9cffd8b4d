"""Settings for all tests."""

from __future__ import annotations

import gc
import os
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples in every run, and no deadline: a busy machine is no error of the code.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

# Every core has tests of its own to run, and small tensors gain nothing from the quarrel of threads over them.
os.environ.setdefault("OMP_NUM_THREADS", "1")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """A process for each core, up to four, as each imports everything; for single files none besides this one."""
    if all(Path(argument.partition("::")[0]).is_file() for argument in config.args):
        return 0
    return min(4, len(os.sched_getaffinity(0)))


def pytest_collection_finish() -> None:
    """What was imported stays; looking through all of it for garbage, again and again, took longer than some tests."""
    gc.freeze()
