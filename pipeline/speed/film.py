"""Clips to measure on: a film of a phantom, or a recording, is played there and back for as long as asked."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import cycle, islice
from pathlib import Path
from tempfile import TemporaryDirectory

import av
import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import StageCounts
from synthetic.film.clips import write_mp4, write_subjects
from synthetic.film.subjects import PlannedClip, Subject
from synthetic.film.sweep import FRAMES_PER_SECOND

__all__ = ["film_phantom", "read_film", "write_clips"]

Film = list[NDArray[np.uint8]]

SEED, FILMED_FRAMES = 4, 250


def film_phantom(progress: Callable[[int, int], None] = lambda done, total: None) -> Film:
    """A sweep over a slider with eight eggs: frames (480, 640) uint8."""
    subject = Subject("AF-0001", "trachemys-scripta", StageCounts(calcified=8), (PlannedClip("left", FILMED_FRAMES),))
    with TemporaryDirectory() as folder:
        write_subjects(Path(folder), [subject], seed=SEED, progress=progress)
        (path,) = Path(folder).rglob("*.mp4")
        return read_film(path)


def read_film(path: Path) -> Film:
    """The first frames of a video in grey, as many as a phantom is filmed for."""
    with av.open(str(path)) as container:
        frames = islice(container.decode(video=0), FILMED_FRAMES)
        return [np.asarray(frame.to_ndarray(format="gray"), np.uint8) for frame in frames]


def write_clips(root: Path, film: Film, seconds: Sequence[int]) -> list[Path]:
    """Clips of these lengths under ``root``, an exam for every two of them. No two are the same recording."""

    def write_clip(number: int, length: int) -> Path:
        folder = root / f"AF-{number // 2 + 1:04d}" / "2026-05-14"
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{('left', 'right')[number % 2]}-1.mp4"
        frames = islice(_there_and_back(film), number, number + FRAMES_PER_SECOND * length)
        write_mp4(path, frames, frame_rate=FRAMES_PER_SECOND)
        return path

    # Threads, since encoding is done outside of Python.
    with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as threads:
        return list(threads.map(write_clip, range(len(seconds)), seconds))


def _there_and_back(film: Film) -> Iterator[NDArray[np.uint8]]:
    return cycle([*film, *film[-2:0:-1]])
