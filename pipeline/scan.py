"""One clip read once: frames to sector, detections, tracks and the pictures worth keeping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.track.tracks import ClipTracks

__all__ = ["ClipScan", "ScanPicture"]


@dataclass(frozen=True)
class ScanPicture:
    """The best frame of one track: masked to the sector, as JPEG, with the track's outline at that frame.

    frame : index from 0;  ellipse : [cx, cy, semi-major, semi-minor, degrees] in px of the picture,
    which has the size of the source frame
    """

    frame: int
    ellipse: tuple[float, float, float, float, float]
    jpeg: bytes


@dataclass(frozen=True)
class ClipScan:
    """Everything kept of one clip.

    status : "done", or "refused" with a reason for a technician (then all tables are empty)
    used : (F,) int64, indices of the frames that were used
    The detections, one row each: frame (D,) int64, ellipse (D, 5), stage_probability (D, 3), score (D,),
    track (D,) int64, 0 where a detection belongs to no track.
    pictures : by track identity
    """

    file: str
    sha256: str
    window: str | None
    width: int
    height: int
    frame_rate: float | None
    frames: int
    mm_per_px: float | None
    scale_source: Literal["sidecar", "unknown"]
    status: Literal["done", "refused"]
    reason: str | None
    used: NDArray[np.int64]
    frame: NDArray[np.int64]
    ellipse: NDArray[np.float64]
    stage_probability: NDArray[np.float64]
    score: NDArray[np.float64]
    track: NDArray[np.int64]
    tracks: ClipTracks
    pictures: dict[int, ScanPicture]
