"""The map of a sweep against the tracked probe: sequences of which the probe's place is known in every frame.

Such sequences show wires in water, which is too dark for a clip of an animal. So frames are not judged, no object is
looked for, and all that is not black in any frame is the sector.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.probe_path_error import MIN_RETURN_SHARE, PathError, path_error
from pipeline.bench.turn_metrics import ClipTurns
from pipeline.detect.detector import Detections
from pipeline.ingest.sector.sector import Sector
from pipeline.real_pictures.meta_image import MetaImageSequence, read_meta_image
from pipeline.real_pictures.region_overlap import RealPicturesError
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.scan.probe_motion import ProbeMotionEstimator
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.tracker import TrackUpdate

__all__ = ["TrackedSweep", "measure_tracked_sweeps", "tracked_files", "true_turns", "way_along"]

Floats = NDArray[np.float64]

# Over so many frames to either side a probe that moves goes further than trackers jitter, in mm. Common practice, no
# source.
_HALF_STEP_FRAMES, _LEAST_STEP_MM = 2, 0.5


@dataclass(frozen=True)
class TrackedSweep:
    """One sequence.

    swept_mm : from end to end of the probe's main direction;  path : the error along it, None without a course
    direction_right : share of the frames that move in which the course moves the same way; None likewise
    turns : frames at which the probe turned back, and the reported ones
    """

    name: str
    frames: int
    swept_mm: float
    path: PathError | None
    direction_right: float | None
    turns: ClipTurns


def tracked_files(folder: Path) -> list[Path]:
    """The MetaImage files under a folder. Raises RealPicturesError if there is none."""
    files = sorted(folder.rglob("*.mha"))
    if not files:
        raise RealPicturesError(f"{folder} has no MetaImage sequence. Name a folder with .mha files.")
    return files


def measure_tracked_sweeps(files: Sequence[Path], progress: Callable[[int, int], None]) -> list[TrackedSweep]:
    """Each sequence. Raises RealPicturesError if one cannot be read, or is black."""
    sweeps = []
    for done, path in enumerate(files, 1):
        sequence = read_meta_image(path)
        sweeps.append(_compare(path.name, _courses(path, sequence), way_along(sequence.probe_mm)))
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


def _courses(path: Path, sequence: MetaImageSequence) -> tuple[ProbeCourse, ...]:
    """Readings of the probe's motion, the most likely first."""
    left, top, width, height = cv2.boundingRect(sequence.pictures.max(axis=0))
    if not (width and height):
        raise RealPicturesError(f"{path} is black in every frame. Name another sequence.")
    shape = (sequence.height, sequence.width)
    sector = Sector("rectangle", np.ones(shape, np.bool_), (left, top, left + width, top + height))
    motion = ProbeMotionEstimator(sector, sequence.frame_rate)
    for frame in sequence:
        nothing = Detections(
            frame.index, np.zeros((0, 5)), np.zeros(0), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 2))
        )
        motion.add_frame(TrackedFrame(frame, nothing, TrackUpdate.of_no_detections(), False))
    return motion.finish({}).courses


def _compare(name: str, courses: tuple[ProbeCourse, ...], along: Floats) -> TrackedSweep:
    known = np.flatnonzero(np.isfinite(along))
    true, swept = along[known], float(np.ptp(along[known]))
    turns = ClipTurns(
        tuple(float(np.interp(turn, np.arange(len(known)), known)) for turn in true_turns(true)),
        tuple(turn.frame for turn in courses[0].turns if turn.is_likely) if courses else (),
    )
    if not courses or swept == 0:
        return TrackedSweep(name, len(along), swept, None, None, turns)
    estimated = courses[0].position(known)
    path = path_error(true, estimated, known.astype(np.float64))
    return TrackedSweep(name, len(along), swept, path, _direction_right(true, path.direction * estimated), turns)


def _direction_right(true: Floats, estimated: Floats) -> float | None:
    """The share of the frames that move in which both move the same way."""
    reach = 2 * _HALF_STEP_FRAMES
    steps, own = true[reach:] - true[:-reach], estimated[reach:] - estimated[:-reach]
    moves = np.abs(steps) >= _LEAST_STEP_MM
    return float((np.sign(steps) == np.sign(own))[moves].mean()) if moves.any() else None
