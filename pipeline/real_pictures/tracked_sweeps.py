"""The map of a sweep against the tracked probe: sequences of which the probe's place is known in every frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.probe_path_error import MIN_RETURN_SHARE, PathError, path_error
from pipeline.bench.turn_metrics import ClipTurns
from pipeline.real_pictures.found_objects import FoundObjects, ObjectFinder
from pipeline.real_pictures.meta_image import read_meta_image
from pipeline.real_pictures.region_overlap import RealPicturesError

__all__ = ["TrackedSweep", "measure_tracked_sweeps", "tracked_files", "true_turns", "way_along"]

Floats = NDArray[np.float64]

# Over so many frames to either side a probe that moves goes further than trackers jitter, in mm. Common practice, no
# source.
_HALF_STEP_FRAMES, _LEAST_STEP_MM = 2, 0.5


@dataclass(frozen=True)
class TrackedSweep:
    """One sequence. refusal : why it could not be used, else None; what follows is then None

    swept_mm : from end to end of the probe's main direction;  path : the error along it, None without a course
    direction_right : share of the frames that move in which the course moves the same way; None likewise
    turns : frames at which the probe turned back, and the reported ones
    """

    name: str
    frames: int
    refusal: str | None
    swept_mm: float | None = None
    path: PathError | None = None
    direction_right: float | None = None
    turns: ClipTurns | None = None


def tracked_files(folder: Path) -> list[Path]:
    """The MetaImage files under a folder. Raises RealPicturesError if there is none."""
    files = sorted(folder.rglob("*.mha"))
    if not files:
        raise RealPicturesError(f"{folder} has no MetaImage sequence. Name a folder with .mha files.")
    return files


def measure_tracked_sweeps(
    files: Sequence[Path], finder: ObjectFinder, progress: Callable[[int, int], None]
) -> list[TrackedSweep]:
    """Each sequence. Raises RealPicturesError if one cannot be read."""
    sweeps = []
    for done, path in enumerate(files, 1):
        sequence = read_meta_image(path)
        along = way_along(sequence.probe_mm)
        sweeps.append(_compare(finder.in_recording(path.name, sequence), along))
        progress(done, len(files))
    return sweeps


def way_along(probe_mm: Floats) -> Floats:
    """(F,) position along the main direction of places (F, 3), positive from the first; NaN where a place is unknown.

    The main direction is that of the largest variance. Raises RealPicturesError if fewer than three places are known.
    """
    known = np.isfinite(probe_mm).all(axis=1)
    if known.sum() < 3:
        raise RealPicturesError("A sequence says where the probe was in fewer than three frames. Name another.")
    from_mean = probe_mm - probe_mm[known].mean(axis=0)
    _, _, directions = np.linalg.svd(from_mean[known], full_matrices=False)
    along = from_mean @ directions[0]
    along = along - along[known][0]
    return np.asarray(along * (-1 if abs(np.nanmin(along)) > abs(np.nanmax(along)) else 1))


def true_turns(along: Floats) -> tuple[float, ...]:
    """Numbers of the places (F,) at which the way turns back by at least a tenth of its length.

    A turn in a rest is its middle.
    """
    least = MIN_RETURN_SHARE * float(np.ptp(along))
    turns, extreme, direction = [], 0, 0
    for place in range(1, len(along)):
        ahead = along[place] - along[extreme]
        if direction == 0:
            if abs(ahead) >= least:
                direction, extreme = int(np.sign(ahead)), place
        elif ahead * direction > 0:
            extreme = place
        elif -ahead * direction >= least:
            turns.append(_middle_of_rest(along, extreme))
            direction, extreme = -direction, place
    return tuple(turns)


def _middle_of_rest(along: Floats, extreme: int) -> float:
    """The middle of the frames around an extreme in which the probe stays within what trackers jitter."""
    near = np.abs(along - along[extreme]) < _LEAST_STEP_MM
    first = last = extreme
    while first > 0 and near[first - 1]:
        first -= 1
    while last < len(along) - 1 and near[last + 1]:
        last += 1
    return (first + last) / 2


def _compare(found: FoundObjects, along: Floats) -> TrackedSweep:
    if found.refusal is not None:
        return TrackedSweep(found.name, len(along), found.refusal)
    known = np.flatnonzero(np.isfinite(along))
    true = true_turns(along[known])
    turns = ClipTurns(
        tuple(float(np.interp(turn, np.arange(len(known)), known)) for turn in true),
        tuple(turn.frame for turn in found.turns if turn.is_likely),
    )
    swept = float(np.ptp(along[known]))
    if found.course is None or swept == 0:
        return TrackedSweep(found.name, len(along), None, swept, turns=turns)
    frames = np.intersect1d(found.frames, known)
    estimated = found.course.position(frames)
    path = path_error(along[frames], estimated, frames.astype(np.float64))
    return TrackedSweep(
        found.name, len(along), None, swept, path, _direction_right(along[frames], path.direction * estimated), turns
    )


def _direction_right(true: Floats, estimated: Floats) -> float | None:
    """The share of the frames that move in which both move the same way."""
    reach = 2 * _HALF_STEP_FRAMES
    steps, own = true[reach:] - true[:-reach], estimated[reach:] - estimated[:-reach]
    moves = np.abs(steps) >= _LEAST_STEP_MM
    return float((np.sign(steps) == np.sign(own))[moves].mean()) if moves.any() else None
