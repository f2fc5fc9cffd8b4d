"""A run that ends at any moment can be continued, and then leaves the same files as one that was left alone."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.report import exam_files
from pipeline.store.store import Store
from tests.pipeline.batch.three_animals import film_three_animals, run
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.run_ended import contents

COMMAND = Path(__file__).parents[1] / "blob_finder.py"


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


class ProcessEnd(BaseException):
    """Stands for the end of the process."""


class StepCounter:
    """Ends the run at step ``at``. Before and after each write to the disk there is a step."""

    def __init__(self, at: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self.at, self.steps = at, 0
        for owner, name in ((Path, "replace"), (Store, "save_scan"), (Store, "save_exam")):
            monkeypatch.setattr(owner, name, self.counted(getattr(owner, name)))

    def counted(self, original: Callable[..., Any]) -> Callable[..., Any]:
        def write(*arguments: Any) -> Any:
            self.step()
            result = original(*arguments)
            self.step()
            return result

        return write

    def step(self) -> None:
        self.steps += 1
        if self.steps == self.at:
            raise ProcessEnd


def test_run_that_ends_at_any_step_can_be_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tmp_path / "root"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 1}, frames=16)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 1}, frames=16)
    # To draw a PDF is slow, and its content does not matter here.
    monkeypatch.setattr(exam_files, "sheet_pdf", lambda *arguments: b"%PDF")
    with monkeypatch.context() as patches:
        counter = StepCounter(0, patches)
        run(root, tmp_path / "undisturbed")
    assert counter.steps > 30
    for at in range(1, counter.steps + 1):
        out = tmp_path / f"ended-{at}"
        with monkeypatch.context() as patches:
            StepCounter(at, patches)
            with pytest.raises(ProcessEnd):
                run(root, out)
        for path in out.rglob("*.json"):
            json.loads(path.read_bytes())
        assert batch_exit_code(run(root, out)) == ExitCode.DONE
        assert contents(out) == contents(tmp_path / "undisturbed"), f"ended at step {at} of {counter.steps}"


class Process:
    """The batch in a separate process. The constructor returns when the run has found its exams."""

    def __init__(self, root: Path, out: Path) -> None:
        self._running = subprocess.Popen(
            [sys.executable, str(COMMAND), "batch", str(root), "--out", str(out)],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "BLOB_SECONDS": "0.004"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        assert self._running.stderr is not None
        # Exams that an earlier process has finished need no look.
        found = self._running.stderr.readline()
        assert re.fullmatch(rb"\d exams?, \d clips?(; \d exams? unchanged)?\n", found), found

    def end(self, kill_after: float = 600) -> int:
        """Its exit code. It is killed if it is still running after this many seconds."""
        try:
            self._running.communicate(timeout=kill_after)
        except subprocess.TimeoutExpired:
            self._running.kill()
            self._running.communicate()
        return self._running.returncode


def test_run_that_is_killed_at_any_moment_can_be_continued(root: Path, tmp_path: Path) -> None:
    undisturbed = Process(root, tmp_path / "undisturbed")
    start = time.monotonic()
    assert undisturbed.end() == ExitCode.DONE
    seconds = time.monotonic() - start
    rng = random.Random(3)
    codes = [Process(root, tmp_path / "out").end(seconds * rng.uniform(0, 0.5)) for _ in range(5)]
    assert -signal.SIGKILL in codes
    assert Process(root, tmp_path / "out").end() == ExitCode.DONE
    assert contents(tmp_path / "out") == contents(tmp_path / "undisturbed")
