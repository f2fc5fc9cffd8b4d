"""How the probe moved during a clip: the course of the hand, and where it turned back."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.track.course_search import find_courses
from pipeline.track.frame_likeness import FaceGeometry, frame_likeness
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.thumbnails import Thumbnails

__all__ = ["ProbeMotionEstimator"]


class ProbeMotionEstimator:
    """Follows the probe through one clip. frame_rate : per second, None if unknown"""

    def __init__(self, sector: Sector, frame_rate: float | None) -> None:
        self._thumbnails = Thumbnails(sector.mask, sector.box)
        self._geometry = FaceGeometry(sector.box, sector.face_middle_xy, sector.depth_range_px, sector.upside_down)
        self._frame_rate = frame_rate

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Take in the next picture, with what was found in it."""
        frame, detections = tracked.frame, tracked.detections
        self._thumbnails.add_frame(frame.index, frame.grey, detections.ellipses, detections.scores)

    def finish(self, final_ids: Mapping[int, int]) -> tuple[ProbeCourse, ...]:
        """The readings of the hand's motion that the pictures allow, the most likely first; no track matters."""
        return find_courses(frame_likeness(self._thumbnails.finish(), self._geometry), self._geometry, self._frame_rate)
