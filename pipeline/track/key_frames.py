"""The frames of a clip that are kept to recognise the same place in another clip of the same window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.track.frame_likeness import FaceGeometry
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.thumbnails import ThumbnailStack

__all__ = ["KeyFrames", "select_key_frames"]

_MOST = 48  # key frames of a clip: they take some 30 kB (common practice, no source)
_STANDSTILL_SHARE = 0.3  # of the mean step, that a frame without motion counts, so that none of a rest is lost


@dataclass(frozen=True)
class KeyFrames:
    """thumbnails : of the key frames;  geometry : where the probe's face is"""

    thumbnails: ThumbnailStack
    geometry: FaceGeometry


def select_key_frames(thumbnails: ThumbnailStack, geometry: FaceGeometry, course: ProbeCourse) -> KeyFrames:
    """At most 48 frames, evenly spread over the way of the hand. course : of the same frames"""
    count = len(thumbnails.frames)
    rows = np.arange(count)
    if count > _MOST:
        steps = np.abs(np.diff(course.position(thumbnails.frames)))
        way = np.concatenate([[0.0], np.cumsum(steps + _STANDSTILL_SHARE * steps.mean() + 1e-9)])
        rows = np.unique(np.searchsorted(way, np.linspace(0, way[-1], _MOST)).clip(0, count - 1))
    kept = ThumbnailStack(
        thumbnails.frames[rows], thumbnails.pictures[rows], thumbnails.outlines[rows], thumbnails.inside
    )
    return KeyFrames(kept, geometry)
