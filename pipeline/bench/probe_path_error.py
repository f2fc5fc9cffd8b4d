"""The error of the estimated path of the probe along its sweep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import DataSet
from pipeline.exams.folder_names import clip_file_stems

__all__ = ["MIN_RETURN_SHARE", "PathError", "ProbePathMetrics", "path_error", "probe_path_metrics"]

Floats = NDArray[np.float64]

MIN_RETURN_SHARE = 0.1
"""A probe returned if it ends short of its furthest position by more than this share of its sweep. No source."""


@dataclass(frozen=True)
class ProbePathMetrics:
    """Medians over the clips with a known and an estimated path; None without such a clip.

    clips : number of clips;  returned : of those, clips whose probe came back
    error, returned_error : root mean square error of the position along the sweep, as a share of the swept length. The
    estimated path has its own unit of length, so each clip is scaled and shifted to fit best.
    constant_speed_error, returned_constant_speed_error : the same for a baseline with constant speed
    unit_mm, unit_log_std : the unit of the estimated path, and its standard deviation between clips in log units
    """

    clips: int
    returned: int
    error: float | None
    constant_speed_error: float | None
    returned_error: float | None
    returned_constant_speed_error: float | None
    unit_mm: float | None
    unit_log_std: float | None


@dataclass(frozen=True)
class PathError:
    """The path of one clip: whether the probe came back, and errors and the unit as in `ProbePathMetrics`.

    direction : 1, or -1 if positions rise where the true ones fall
    """

    returned: bool
    error: float
    constant_speed_error: float
    unit_mm: float
    direction: int


def probe_path_metrics(data_set: DataSet, folders: Mapping[tuple[str, str], Path]) -> ProbePathMetrics:
    """The errors of the paths that a batch wrote. folders : output folders of exams, by animal and date"""
    paths = list(_clip_paths(data_set, folders))
    returned = [path for path in paths if path.returned]
    # A path without motion has no unit.
    units = np.array([path.unit_mm for path in paths if path.unit_mm > 0])
    return ProbePathMetrics(
        clips=len(paths),
        returned=len(returned),
        error=_median([path.error for path in paths]),
        constant_speed_error=_median([path.constant_speed_error for path in paths]),
        returned_error=_median([path.error for path in returned]),
        returned_constant_speed_error=_median([path.constant_speed_error for path in returned]),
        unit_mm=_median(units.tolist()),
        unit_log_std=float(np.log(units).std()) if len(units) else None,
    )


def _clip_paths(data_set: DataSet, folders: Mapping[tuple[str, str], Path]) -> Iterator[PathError]:
    for animal, truth in data_set.animals.items():
        folder = folders.get((animal, truth.date))
        labels = clip_file_stems(list(truth.clips))
        for file, clip in truth.clips.items():
            if folder is None or clip.path_mm is None:
                continue
            written = folder / f"{labels[file]}.path.csv"
            lines = written.read_text(encoding="utf-8").splitlines()[1:] if written.is_file() else []
            if lines:
                rows = np.array([line.split(",") for line in lines], dtype=np.float64)
                yield path_error(clip.path_mm[rows[:, 0].astype(int), 0], rows[:, 2], rows[:, 0])


def path_error(along_mm: Floats, estimated: Floats, frames: Floats) -> PathError:
    """The error of one clip. along_mm, estimated : (F,) positions along the sweep;  frames : (F,) their numbers"""
    swept = float(np.ptp(along_mm))
    error, unit = _line_fit(estimated, along_mm)
    furthest = max(abs(along_mm - along_mm[0]))
    return PathError(
        returned=bool(abs(along_mm[-1] - along_mm[0]) < furthest - MIN_RETURN_SHARE * swept),
        error=error / swept,
        constant_speed_error=_line_fit(frames, along_mm)[0] / swept,
        unit_mm=abs(unit),
        direction=-1 if unit < 0 else 1,
    )


def _line_fit(estimated: Floats, true: Floats) -> tuple[float, float]:
    """Root mean square of the residuals of the best straight line, and its slope."""
    from_mean = estimated - estimated.mean()
    slope = float(from_mean @ true / max(float(from_mean @ from_mean), 1e-9))
    return float((true - slope * from_mean).std()), slope


def _median(values: list[float]) -> float | None:
    return float(np.nanmedian(values)) if len(values) else None
