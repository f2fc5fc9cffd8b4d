"""``CLIP.path.csv``: the course of the hand in one clip, where the probe was in each frame.

Columns: ``frame``, from 0; ``pass``, from 1, which grows by one where the hand turned back; ``position`` along the way,
0 in the first frame, in picture differences: frames of equal position show the same plane; ``in_plane_degrees``, by
which the picture is turned about the middle of the probe's face. Frames whose pictures were not compared have no line.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.scan.clip_scan import ClipScan

__all__ = ["probe_path_lines"]


def probe_path_lines(scan: ClipScan) -> Iterator[bytes]:
    """A header, and a line for each frame whose position is known. Nothing for a clip without a course."""
    if not scan.tracks.courses:
        return
    course = scan.tracks.courses[0]
    yield b"frame,pass,position,in_plane_degrees\n"
    numbers = 1 + np.searchsorted([turn.frame for turn in course.turns], course.frames, side="right")
    # Rounded first, so that no -0.000 is written.
    positions, degrees_turned = course.positions.round(3) + 0.0, course.in_plane_degrees.round(1) + 0.0
    columns = course.frames, numbers, positions, degrees_turned
    for frame, number, position, degrees in zip(*(column.tolist() for column in columns), strict=True):
        yield f"{frame},{number},{position:.3f},{degrees:.1f}\n".encode()
