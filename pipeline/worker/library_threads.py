"""How many threads the libraries of a process may use. In many processes, many threads each wait for each other."""

from __future__ import annotations

import os

__all__ = ["available_threads", "use_threads"]

VARIABLE = "OMP_NUM_THREADS"  # most libraries know it; NumPy's linear algebra reads it when it is loaded


def use_threads(number: int) -> None:
    """Allow so many threads to what is loaded from now on. Operations on pictures get one, as frames are small."""
    import cv2

    os.environ[VARIABLE] = str(number)
    cv2.setNumThreads(1)


def available_threads() -> int:
    """As many as were allowed, else as there are cores that this process may use."""
    allowed = os.environ.get(VARIABLE, "")
    return int(allowed) if allowed.isdecimal() and int(allowed) > 0 else len(os.sched_getaffinity(0))
