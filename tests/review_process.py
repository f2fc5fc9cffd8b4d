"""``clutchlight review`` in a process of its own."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path

__all__ = ["running_review"]


@contextmanager
def running_review(out: Path, environment: Mapping[str, str]) -> Iterator[str]:
    """The address of a review of the sheets in ``out``. It is stopped by Ctrl+C, and must end by itself then."""
    review = subprocess.Popen(
        [sys.executable, "-m", "pipeline", "review", "--out", str(out), "--port", "0"],
        env=environment,
        cwd=Path(__file__).parents[1],
        stderr=subprocess.PIPE,
        text=True,
        # In the background of a shell SIGINT is ignored, and child processes inherit that.
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    )
    try:
        assert review.stderr is not None
        line = review.stderr.readline()
        assert "http://" in line, line + review.stderr.read()
        yield line.split()[-1]
        review.send_signal(signal.SIGINT)
        assert review.wait(20) == 0
    finally:
        review.kill()
        review.communicate()
