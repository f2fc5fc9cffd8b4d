"""All detections of a clip as a table, one row each."""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.scan.frame_consumer import TrackedFrame

__all__ = ["DetectionTable", "DetectionTableBuilder"]

_COLUMNS = 13  # frame, provisional track, score, ellipse (5), stages (3), outline uncertainty (2)


@dataclass(frozen=True)
class DetectionTable:
    """The frames that were used and the detections in them, as `pipeline.scan.clip_scan.ClipScan` describes them."""

    used_frames: NDArray[np.int64]
    frame: NDArray[np.int64]
    ellipse: NDArray[np.float64]
    stage_probability: NDArray[np.float64]
    score: NDArray[np.float64]
    outline_uncertainty: NDArray[np.float64]
    track: NDArray[np.int64]


class DetectionTableBuilder:
    """Gathers the detections of a clip frame by frame, as plain numbers, which take the least memory."""

    def __init__(self) -> None:
        self.used_frames = array("q")
        self._rows = array("d")

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Append the detections of a frame, of a repeated one too."""
        detections, track_ids = tracked.detections, tracked.update.track_ids
        self.used_frames.append(detections.frame)
        rows = np.column_stack(
            [
                np.full(len(track_ids), detections.frame, np.float64),
                track_ids,
                detections.scores,
                detections.ellipses,
                detections.stage_probabilities,
                detections.outline_uncertainties,
            ]
        )
        self._rows.frombytes(rows.tobytes())

    def finish(self, final_ids: Mapping[int, int]) -> DetectionTable:
        """The table with final track ids, 0 where a detection belongs to no confirmed track."""
        rows = np.frombuffer(self._rows, np.float64).reshape(-1, _COLUMNS) if self._rows else np.zeros((0, _COLUMNS))
        provisional = rows[:, 1].astype(np.int64)
        final = np.zeros(1 + max(final_ids, default=0) + max(provisional, default=0), np.int64)
        for track, number in final_ids.items():
            final[track] = number
        return DetectionTable(
            used_frames=np.array(self.used_frames, np.int64),
            frame=rows[:, 0].astype(np.int64),
            ellipse=rows[:, 3:8].copy(),
            stage_probability=rows[:, 8:11].copy(),
            score=rows[:, 2].copy(),
            outline_uncertainty=rows[:, 11:].copy(),
            track=final[provisional],
        )
