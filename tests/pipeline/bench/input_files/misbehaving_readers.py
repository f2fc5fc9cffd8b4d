"""A reader that does what no reader may. Worker processes find it by its name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

from pipeline.settings import Settings
from pipeline.worker.job_loop import Progress


def misbehave_by_suffix(settings: Settings, progress: Progress, path: Path) -> tuple[str, str]:
    """The suffix of the file decides what goes wrong, so that a run over all files includes every kind of failure."""
    match path.suffix:
        case ".wmv":
            raise ZeroDivisionError("divided by an aspect of 0")
        case ".mpg":
            os.kill(os.getpid(), signal.SIGSEGV)
        case ".gif":
            time.sleep(600)
        case ".jpg":
            while True:
                pass
        case ".bmp":
            np.ones(2**30)  # 8 GB
        case _:
            return "read", ""
    return "refused", "never reached"
