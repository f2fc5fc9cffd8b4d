"""Clips and pictures that show no egg and no follicle: what is found all the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.real_pictures.found_objects import ObjectFinder

__all__ = ["EggFreeMetrics", "measure_egg_free"]


@dataclass(frozen=True)
class EggFreeMetrics:
    """False detections in the recordings of one folder; None without a frame, or without a recording.

    recordings : clips and pictures, without those that could not be used (refused)
    shelled_per_frame, follicles_per_frame : false detections
    shelled_per_recording, follicles_per_recording : false estimates of the count
    recordings_with_shelled, recordings_with_follicles : number of recordings with such an estimate
    """

    name: str
    recordings: int
    refused: int
    frames: int
    shelled_per_frame: float | None
    follicles_per_frame: float | None
    shelled_per_recording: float | None
    follicles_per_recording: float | None
    recordings_with_shelled: int
    recordings_with_follicles: int


def measure_egg_free(
    name: str, files: Sequence[Path], finder: ObjectFinder, progress: Callable[[int, int], None]
) -> EggFreeMetrics:
    """Look for eggs and follicles in each file."""
    frames, refused, shelled, follicles = 0, 0, 0, 0
    counts: list[tuple[int, int]] = []
    for done, path in enumerate(files, 1):
        found = finder.in_file(path)
        progress(done, len(files))
        if found.refusal is not None:
            refused += 1
            continue
        frames += len(found.frames)
        shelled += int(found.is_shelled.sum())
        follicles += int((~found.is_shelled).sum())
        counts.append((found.shelled.estimate, found.follicles.estimate))
    read = len(counts)
    return EggFreeMetrics(
        name=name,
        recordings=read,
        refused=refused,
        frames=frames,
        shelled_per_frame=shelled / frames if frames else None,
        follicles_per_frame=follicles / frames if frames else None,
        shelled_per_recording=sum(each for each, _ in counts) / read if read else None,
        follicles_per_recording=sum(each for _, each in counts) / read if read else None,
        recordings_with_shelled=sum(each > 0 for each, _ in counts),
        recordings_with_follicles=sum(each > 0 for _, each in counts),
    )
