"""All measurements on real pictures, for the folders that are named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from models.evaluation_thresholds import SCORE_THRESHOLD
from pipeline.ingest.file_types import is_still
from pipeline.real_pictures.constructed_motion import ConstructedCounts, measure_constructed_motion
from pipeline.real_pictures.egg_free import EggFreeMetrics, measure_egg_free
from pipeline.real_pictures.found_objects import ObjectFinder, recordings_under
from pipeline.real_pictures.look_alikes import LookAlikeMetrics, measure_look_alikes, read_look_alikes
from pipeline.real_pictures.ovals import OvalMetrics, measure_ovals, read_ovals
from pipeline.real_pictures.tracked_sweeps import TrackedSweep, measure_tracked_sweeps, tracked_files

__all__ = ["RealPictureFolders", "RealPictureMetrics", "measure_real_pictures"]

# Shows the progress of one measurement, whose name it is given: called with the steps done and their number.
Progress = Callable[[str], AbstractContextManager[Callable[[int, int], None]]]


@dataclass(frozen=True)
class RealPictureFolders:
    """What to measure on: folders as the modules of each kind describe them.

    strips : of constructed motion, for each number of ovals; 0 for none. They need ovals and egg-free pictures
    """

    ovals: Sequence[Path] = ()
    egg_free: Sequence[Path] = ()
    look_alikes: Sequence[Path] = ()
    tracked_sweeps: Sequence[Path] = ()
    strips: int = 0
    seed: int = 0


@dataclass(frozen=True)
class RealPictureMetrics:
    """What was measured, by the name of the folder; empty where none was named. seed : of the strips"""

    ovals: dict[str, OvalMetrics]
    egg_free: list[EggFreeMetrics]
    look_alikes: dict[str, list[LookAlikeMetrics]]
    tracked_sweeps: list[TrackedSweep]
    constructed_motion: list[ConstructedCounts]
    seed: int
    score_threshold: float = SCORE_THRESHOLD

    def document(self) -> dict[str, Any]:
        """In types of JSON."""
        return asdict(self)


def measure_real_pictures(folders: RealPictureFolders, finder: ObjectFinder, progress: Progress) -> RealPictureMetrics:
    """Read all pictures. Raises RealPicturesError before any is read if a folder does not hold what it should."""
    ovals = {folder.resolve().name: read_ovals(folder) for folder in folders.ovals}
    free = {folder.resolve().name: recordings_under(folder, without=[folder / "masks"]) for folder in folders.egg_free}
    look_alikes = {folder.resolve().name: read_look_alikes(folder) for folder in folders.look_alikes}
    sweeps = [path for folder in folders.tracked_sweeps for path in tracked_files(folder)]

    measured_ovals, measured_free, measured_look_alikes = {}, [], {}
    for name, pictures in ovals.items():
        with progress(f"Ovals of {name}") as step:
            measured_ovals[name] = measure_ovals(pictures, finder, step)
    for name, files in free.items():
        with progress(f"Egg-free recordings of {name}") as step:
            measured_free.append(measure_egg_free(name, files, finder, step))
    for name, regions in look_alikes.items():
        with progress(f"Look-alikes of {name}") as step:
            measured_look_alikes[name] = measure_look_alikes(regions, finder, step)
    with progress("Tracked sweeps") as step:
        measured_sweeps = measure_tracked_sweeps(sweeps, step)
    constructed = []
    if folders.strips:
        stills = [path for files in free.values() for path in files if is_still(path.name)]
        every_oval = [picture for pictures in ovals.values() for picture in pictures]
        with progress("Constructed motion") as step:
            constructed = measure_constructed_motion(
                every_oval, stills, finder, strips=folders.strips, seed=folders.seed, progress=step
            )
    return RealPictureMetrics(
        measured_ovals, measured_free, measured_look_alikes, measured_sweeps, constructed, folders.seed
    )
