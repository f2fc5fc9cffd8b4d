"""Recordings whose digests cannot be computed: each has a reason, and the run goes on."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest

from pipeline.batch.identification import CHANGED, identify
from pipeline.batch.refused_recordings import RefusedRecordings
from pipeline.batch.run_context import RunContext
from pipeline.batch.workers import DigestEnd, OtherFileError
from pipeline.ingest.frame import ClipError
from pipeline.locations.file_state import FileState
from pipeline.settings import load_settings
from pipeline.store.store import Store
from pipeline.worker.worker import JobKilledError

SHA256 = "a" * 64


@dataclass
class Failing:
    """Workers in which computing a digest fails: that of the bytes, or that of the first picture."""

    error: Exception
    of_bytes: bool

    def file_sha256(self, path: Path, state: FileState, on_end: DigestEnd) -> None:
        self._end(on_end, fails=self.of_bytes)

    def first_picture_sha256(self, path: Path, state: FileState, on_end: DigestEnd) -> None:
        self._end(on_end, fails=not self.of_bytes)

    def wait(self, is_over: Callable[[], bool]) -> None:
        assert is_over()

    def _end(self, on_end: DigestEnd, *, fails: bool) -> None:
        end: Future[str | None] = Future()
        if fails:
            end.set_exception(self.error)
        else:
            end.set_result(SHA256)
        on_end(end)


@pytest.mark.parametrize(
    ("error", "of_bytes", "reason"),
    [
        (JobKilledError("time", "took more than 60 s"), True, "reading it took more than 60 s; the next run tries"),
        (ClipError("clip.mp4: cannot be read: no answer."), True, "no answer"),
        (ClipError("clip.mp4: cannot be read: no answer."), False, "no answer"),
        (OtherFileError(Path("clip.mp4"), FileState(1, 1)), True, CHANGED),
    ],
)
def test_a_digest_that_fails_is_a_reason(tmp_path: Path, error: Exception, of_bytes: bool, reason: str) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(b"clip")
    with Store(tmp_path / "out") as store:
        workers: Any = Failing(error, of_bytes)
        context = RunContext(store, load_settings(), workers)
        found = identify([path], context, RefusedRecordings(store, retry=False))
    assert reason in str(cast(ClipError, found[path]))
