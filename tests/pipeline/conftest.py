"""Fixtures that tests of several packages share."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import argon2
import pytest

from pipeline.batch import clip_reuse
from pipeline.cli import app, batch_runner
from pipeline.ingest.sector import region_sector
from pipeline.worker import pool
from pipeline.worker.pool import WorkerPool
from tests.pipeline.blob_finder import load_blob_finder, without_waiting
from tests.pipeline.pool_in_this_process import PoolInThisProcess
from tests.pipeline.postgresql_server import database_url, postgresql_server
from tests.pipeline.remembered import remembered

if TYPE_CHECKING:
    from playwright.sync_api import Browser

__all__ = ["database_url", "postgresql_server"]

CHROMIUM = Path("/usr/bin/chromium")
# The features are processes that each new window starts in case they are needed later.
CHROMIUM_OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-features=PreloadTopChromeWebUI,SpareRendererForSitePerProcess,OptimizationHints,Translate,MediaRouter",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium in headless mode; tests of pages are skipped where it is not installed."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"no browser at {CHROMIUM}")
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_OPTIONS)
        yield running
        running.close()


@pytest.fixture
def root(filmed: Path, tmp_path: Path) -> Path:
    """A copy of the recordings in the test module's fixture ``filmed``, which one test may change."""
    return Path(shutil.copytree(filmed, tmp_path / "root"))


@dataclass(frozen=True)
class CommandResult:
    """The exit code of a command and what it printed."""

    code: int
    stdout: str
    stderr: str


Clutchlight = Callable[..., CommandResult]


@pytest.fixture
def clutchlight(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Clutchlight:
    """The command line with the blob finder, in this process, because starting another one takes two seconds."""
    monkeypatch.setattr(batch_runner, "load_detector", load_blob_finder)
    monkeypatch.setenv("COLUMNS", "200")

    def run(*arguments: object) -> CommandResult:
        capfd.readouterr()
        code = app.main([str(argument) for argument in arguments])
        return CommandResult(code, *capfd.readouterr())

    return run


@pytest.fixture(autouse=True, scope="session")
def nothing_is_waited_for() -> Iterator[None]:
    """Clips that tests have just cut off count as still being copied, without a minute's wait."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clip_reuse, "Settling", without_waiting)
        yield


@pytest.fixture(autouse=True, scope="session")
def clips_are_read_in_this_process() -> Iterator[None]:
    """But for what the tests start as commands, and for tests with the fixture ``worker_processes``."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pool, "WorkerPool", PoolInThisProcess)
        yield


@pytest.fixture
def worker_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clips are read in processes of their own, as outside of tests."""
    monkeypatch.setattr(pool, "WorkerPool", WorkerPool)


@pytest.fixture(autouse=True, scope="session")
def sectors_of_equal_clips_are_found_once() -> Iterator[None]:
    """Most tests film the same few clips, and finding the sector takes a third of a batch over them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(region_sector, "find_sector", remembered(region_sector.find_sector))
        yield


@pytest.fixture(autouse=True, scope="session")
def nothing_outlives_the_tests() -> Iterator[None]:
    """Files need not reach the disk, which is waited for sixty times in each batch."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda file: None)
        yield


@pytest.fixture(autouse=True, scope="session")
def quick_hashes() -> Iterator[None]:
    """Cheap password hashes: every server makes one, and the tests start hundreds."""
    with pytest.MonkeyPatch.context() as patch:
        quick = partial(argon2.PasswordHasher, time_cost=1, memory_cost=64, parallelism=1)
        patch.setattr(argon2, "PasswordHasher", quick)
        yield
