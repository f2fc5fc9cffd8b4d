"""How the probe moved during a clip: the course of the hand, and where it turned back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.track.course_search import find_courses
from pipeline.track.frame_likeness import FaceGeometry, frame_likeness
from pipeline.track.key_frames import KeyFrames, select_key_frames
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.thumbnails import Thumbnails

__all__ = ["ProbeMotion", "ProbeMotionEstimator"]


@dataclass(frozen=True)
class ProbeMotion:
    """courses : readings of the hand's motion that the pictures allow, the most likely first

    key_frames : None without a course
    """

    courses: tuple[ProbeCourse, ...]
    key_frames: KeyFrames | None


class ProbeMotionEstimator:
    """Follows the probe through one clip. frame_rate : per second, None if unknown"""

    def __init__(self, sector: Sector, frame_rate: float | None) -> None:
        self._thumbnails = Thumbnails(sector.mask, sector.box)
        self._geometry = FaceGeometry.of(sector)
        self._frame_rate = frame_rate

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Take in the next picture, with what was found in it."""
        frame, detections = tracked.frame, tracked.detections
        self._thumbnails.add_frame(frame.index, frame.grey, detections.ellipses, detections.scores)

    def finish(self, final_ids: Mapping[int, int]) -> ProbeMotion:
        """The motion in the whole clip; no track matters."""
        thumbnails = self._thumbnails.finish()
        courses = find_courses(frame_likeness(thumbnails, self._geometry), self._geometry, self._frame_rate)
        return ProbeMotion(courses, select_key_frames(thumbnails, self._geometry, courses[0]) if courses else None)
