"""Readers for the fuzzer's workers that do what no reader may: the content says what."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

from pipeline.settings import Settings


def misbehave_by_suffix(path: Path, settings: Settings) -> tuple[str, str]:
    """Goes by the kind of file, so that every round of cases meets every kind of harm."""
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
