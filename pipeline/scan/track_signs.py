"""The shell signs of every track of a clip, measured in its best frames while the clip streams by."""

from __future__ import annotations

from bisect import insort
from collections.abc import Mapping

import numpy as np

from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.detect.shell_signs import ShellSigns, measure_signs, median_signs
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.track.tracks import view_quality

__all__ = ["TrackSigns"]

FRAMES_PER_TRACK = 5
"""Best frames of each track whose signs are kept: enough for a median, and all of them near the egg's middle."""
FRAME_SPACING = 3
"""Frames between two measurements of a track: neighbouring frames show the same, and measuring takes about as long as
decoding."""


class TrackSigns:
    """Keeps the signs of every track in the frames that show it best, a few numbers each."""

    def __init__(self, sector: Sector) -> None:
        self._beams = BeamCoordinates(sector)
        self._kept: dict[int, list[tuple[float, int, ShellSigns]]] = {}  # by track: quality, frame, signs; best last
        self._last_measured: dict[int, int] = {}

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Measure the tracks that the frame shows better than one of their kept frames."""
        frame, detections, track_ids = tracked.frame, tracked.detections, tracked.update.track_ids
        rows = np.flatnonzero(track_ids > 0)
        outlines = detections.ellipses[rows]
        qualities = view_quality(detections.ellipses, detections.scores)[rows]
        shown_better: list[tuple[int, int, float]] = []  # row, track and quality
        for row, (track, quality) in enumerate(zip(track_ids[rows].tolist(), qualities.tolist(), strict=True)):
            kept = self._kept.setdefault(track, [])
            kept_are_better = len(kept) == FRAMES_PER_TRACK and quality <= kept[0][0]
            if kept_are_better or frame.index < self._last_measured.get(track, -FRAME_SPACING) + FRAME_SPACING:
                continue
            self._last_measured[track] = frame.index
            shown_better.append((row, track, quality))
        measured = measure_signs(frame.grey, self._beams, outlines, [row for row, *_ in shown_better])
        for (_, track, quality), signs in zip(shown_better, measured, strict=True):
            if signs is not None:
                kept = self._kept[track]
                insort(kept, (quality, frame.index, signs), key=lambda entry: entry[:2])
                del kept[:-FRAMES_PER_TRACK]
        for track in tracked.update.dropped:
            self._kept.pop(track, None)
            self._last_measured.pop(track, None)

    def finish(self, final_ids: Mapping[int, int]) -> dict[int, ShellSigns]:
        """The median signs by final track id, for the tracks that could be measured."""
        return {
            final: median_signs([signs for _, _, signs in self._kept[track]])
            for track, final in sorted(final_ids.items(), key=lambda pair: pair[1])
            if self._kept.get(track)
        }
