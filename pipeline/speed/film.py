"""Clips to measure on: a phantom is filmed once, and the film is played there and back for as long as asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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

__all__ = ["film_phantom", "write_clips"]

Film = list[NDArray[np.uint8]]

SEED, FILMED_FRAMES = 4, 250


def film_phantom(progress: Callable[[int, int], None] = lambda done, total: None) -> Film:
    """A sweep over a slider with eight eggs: frames (480, 640) uint8."""
    subject = Subject("AF-0001", "trachemys-scripta", StageCounts(calcified=8), (PlannedClip("left", FILMED_FRAMES),))
    with TemporaryDirectory() as folder:
        write_subjects(Path(folder), [subject], seed=SEED, progress=progress)
        (path,) = Path(folder).rglob("*.mp4")
        with av.open(str(path)) as container:
            return [np.asarray(frame.to_ndarray(format="gray"), np.uint8) for frame in container.decode(video=0)]


def write_clips(root: Path, film: Film, seconds: Sequence[int]) -> list[Path]:
    """Clips of these lengths under ``root``, an exam for every two of them. No two are the same recording."""
    paths = []
    for number, length in enumerate(seconds):
        folder = root / f"AF-{number // 2 + 1:04d}" / "2026-05-14"
        folder.mkdir(parents=True, exist_ok=True)
        paths.append(folder / f"{('left', 'right')[number % 2]}-1.mp4")
        frames = islice(_there_and_back(film), number, number + FRAMES_PER_SECOND * length)
        write_mp4(paths[-1], frames, frame_rate=FRAMES_PER_SECOND)
    return paths


def _there_and_back(film: Film) -> Iterator[NDArray[np.uint8]]:
    return cycle([*film, *film[-2:0:-1]])
