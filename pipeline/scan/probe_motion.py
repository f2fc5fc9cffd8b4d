"""How the probe moved during a clip: where it turned back, and how far it travelled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.track.probe_path import ProbePath
from pipeline.track.probe_turns import ProbeTurn, find_turns
from pipeline.track.speckle_distance import SpeckleDistanceEstimator
from pipeline.track.thumbnails import Thumbnails

__all__ = ["ProbeMotion", "ProbeMotionEstimator"]


@dataclass(frozen=True)
class ProbeMotion:
    """turns : as the pictures show them;  path : from speckle, None if not requested or not measurable"""

    turns: tuple[ProbeTurn, ...]
    path: ProbePath | None


class ProbeMotionEstimator:
    """Follows the probe through one clip. with_path : whether its path is measured, at about 3 ms a frame"""

    def __init__(self, sector: Sector, *, with_path: bool) -> None:
        self._thumbnails = Thumbnails(sector.mask, sector.box)
        self._distance = SpeckleDistanceEstimator(sector.mask, sector.box) if with_path else None

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Take in the next picture; the detections do not matter here."""
        frame = tracked.frame
        self._thumbnails.add_frame(frame.index, frame.grey)
        if self._distance is not None:
            self._distance.add_frame(frame.index, frame.grey)

    def finish(self, final_ids: Mapping[int, int]) -> ProbeMotion:
        """The motion of the whole clip; nothing of it depends on tracks."""
        return ProbeMotion(
            turns=find_turns(self._thumbnails.frames, self._thumbnails.correlation()),
            path=None if self._distance is None else self._distance.path(),
        )
