"""Where a hand was told to be along its sweep, held against where it was."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import DataSet
from pipeline.exams.folder_names import clip_file_stems

__all__ = ["ProbePathMetrics", "probe_path_metrics"]

Floats = NDArray[np.float64]

_CAME_BACK = 0.1  # of the way that it swept, from which a hand that ends short of its furthest place came back


@dataclass(frozen=True)
class ProbePathMetrics:
    """Over clips whose path is known and was told; medians, None without such a clip.

    clips : all of them;  returned : those whose hand came back
    error, returned_error : root mean square error of the place along the sweep, as a share of the swept length, after
    the one scale and beginning that fit a clip best, since what is told has a length of its own as its unit
    constant_speed_error, returned_constant_speed_error : the same if the hand were taken to go on evenly
    unit_mm, unit_log_std : what that length is, and its deviation from clip to clip as a share
    in_plane_error_mm, still_baseline_error_mm : root mean square error of the shift in the plane, and if the hand were taken to be still
    """

    clips: int
    returned: int
    error: float | None
    constant_speed_error: float | None
    returned_error: float | None
    returned_constant_speed_error: float | None
    unit_mm: float | None
    unit_log_std: float | None
    in_plane_error_mm: float | None
    still_baseline_error_mm: float | None


@dataclass(frozen=True)
class _ClipPath:
    returned: bool
    error: float
    constant_speed_error: float
    unit_mm: float
    in_plane_error_mm: float
    still_baseline_error_mm: float


def probe_path_metrics(data_set: DataSet, folders: Mapping[tuple[str, str], Path]) -> ProbePathMetrics:
    """Of the paths that a batch wrote into the ``folders`` of exams, by animal and date."""
    judged = list(_judged(data_set, folders))
    back = [one for one in judged if one.returned]
    # A path on which the hand never moved has no unit.
    units = np.array([one.unit_mm for one in judged if one.unit_mm > 0])
    return ProbePathMetrics(
        clips=len(judged),
        returned=len(back),
        error=_median([one.error for one in judged]),
        constant_speed_error=_median([one.constant_speed_error for one in judged]),
        returned_error=_median([one.error for one in back]),
        returned_constant_speed_error=_median([one.constant_speed_error for one in back]),
        unit_mm=_median(units.tolist()),
        unit_log_std=float(np.log(units).std()) if len(units) else None,
        in_plane_error_mm=_median([one.in_plane_error_mm for one in judged]),
        still_baseline_error_mm=_median([one.still_baseline_error_mm for one in judged]),
    )


def _judged(data_set: DataSet, folders: Mapping[tuple[str, str], Path]) -> Iterator[_ClipPath]:
    for animal, truth in data_set.animals.items():
        folder = folders.get((animal, truth["date"]))
        clips = truth.get("clips", {})
        labels = clip_file_stems(list(clips))
        for file, clip in clips.items():
            if folder is None or "path_mm" not in clip:
                continue
            written = folder / f"{labels[file]}.path.csv"
            lines = written.read_text(encoding="utf-8").splitlines()[1:] if written.is_file() else []
            if lines:
                rows = np.array([line.split(",") for line in lines], dtype=np.float64)
                yield _held_against(np.array(clip["path_mm"]), rows, clip["mm_per_px"])


def _held_against(true: Floats, rows: Floats, mm_per_px: float) -> _ClipPath:
    frames = rows[:, 0].astype(int)
    true = true[frames]
    along, swept = true[:, 0], float(np.ptp(true[:, 0]))
    error, unit = _fitted(rows[:, 1], along)
    furthest = max(abs(along - along[0]))
    # What tissue is seen to do, the hand did the other way.
    shift = -rows[:, 2:] * mm_per_px
    return _ClipPath(
        returned=bool(abs(along[-1] - along[0]) < furthest - _CAME_BACK * swept),
        error=error / swept,
        constant_speed_error=_fitted(rows[:, 0], along)[0] / swept,
        unit_mm=abs(unit),
        in_plane_error_mm=_deviation(shift - true[:, 1:]),
        still_baseline_error_mm=_deviation(true[:, 1:]),
    )


def _fitted(told: Floats, true: Floats) -> tuple[float, float]:
    """Root mean square of what the best straight line leaves, and its slope."""
    from_mean = told - told.mean()
    slope = float(from_mean @ true / max(float(from_mean @ from_mean), 1e-9))
    return float((true - slope * from_mean).std()), slope


def _deviation(values: Floats) -> float:
    return float(np.sqrt(((values - values.mean(axis=0)) ** 2).sum(axis=1).mean()))


def _median(values: list[float]) -> float | None:
    return float(np.nanmedian(values)) if len(values) else None
