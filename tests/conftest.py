"""Settings of all tests."""

from __future__ import annotations

import gc
import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# Hypothesis uses the same examples in every run, without deadline: a busy machine is not an error of the code.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

# One thread per process: every core runs its own tests, and more threads would not speed up small tensors.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# The packages' bytecode is kept, also where the environment asks for none: tests start hundreds of processes, and each
# would compile the packages anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Imports leave hardly any garbage, and collecting it took a fifth of their time.
gc.disable()

# Those that take more than 20 s.
_SLOWEST = (
    "test_tooling.py",
    "test_night_on_cluster.py",
    "test_interrupted_runs.py",
    "test_harmful_clips.py",
    "test_merging_weights.py",
    "test_dask_pool.py",
    "test_no_connections.py",
    "test_run_attacks.py",
)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One process per core, at most four, since each imports everything. For single files, only this process."""
    if all(Path(argument.partition("::")[0]).is_file() for argument in config.args):
        return 0
    return min(4, len(os.sched_getaffinity(0)))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The slowest files first, so that at the end no process waits long for another."""
    items.sort(key=lambda item: _SLOWEST.index(item.path.name) if item.path.name in _SLOWEST else len(_SLOWEST))


def pytest_collection_finish() -> None:
    """Exclude all imported objects from garbage collection, which otherwise took longer than some tests."""
    gc.freeze()
    gc.enable()
