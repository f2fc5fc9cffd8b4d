"""The signs of every object of a clip, read in its best frames while the clip streams by."""

from __future__ import annotations

from bisect import insort

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.detect.shell_signs import ShellSigns, measure_signs, median_signs
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector

__all__ = ["ClipSigns"]

FRAMES_PER_TRACK = 5
"""Of each object, the frames whose signs are kept: enough for a median, near enough to its middle."""
FRAME_SPACING = 3
"""Frames from one that is read to the next: neighbours show the same, and reading costs about as much as decoding."""


class ClipSigns:
    """Keeps the signs of every track in the frames that show it best, a few numbers each."""

    def __init__(self, sector: Sector) -> None:
        self._beams = BeamCoordinates(sector)
        self._kept: dict[int, list[tuple[float, int, ShellSigns]]] = {}
        self._last_read: dict[int, int] = {}

    def add_frame(
        self, frame: Frame, ellipses: NDArray[np.float64], tracks: NDArray[np.int64], view_quality: NDArray[np.float64]
    ) -> None:
        """Read the frame for the tracks that it shows better than one of their frames so far.

        ellipses : (N, 5) px;  tracks : (N,) the track of each, 0 for none;  view_quality : (N,) how well it shows each
        """
        followed = np.flatnonzero(tracks > 0)
        outlines = ellipses[followed]
        for row, (track, value) in enumerate(
            zip(tracks[followed].tolist(), view_quality[followed].tolist(), strict=True)
        ):
            kept = self._kept.setdefault(track, [])
            known_better = len(kept) == FRAMES_PER_TRACK and value <= kept[0][0]
            if known_better or frame.index < self._last_read.get(track, -FRAME_SPACING) + FRAME_SPACING:
                continue
            self._last_read[track] = frame.index
            signs = measure_signs(frame.grey, self._beams, outlines, row)
            if signs is not None:
                insort(kept, (value, frame.index, signs), key=lambda entry: entry[:2])
                del kept[:-FRAMES_PER_TRACK]

    def drop(self, tracks: tuple[int, ...]) -> None:
        """Forget tracks that were given up."""
        for track in tracks:
            self._kept.pop(track, None)
            self._last_read.pop(track, None)

    def signs(self, renumbering: dict[int, int]) -> dict[int, ShellSigns]:
        """By final track number, of the tracks that could be read. renumbering : from the number used so far."""
        return {
            final: median_signs([signs for _, _, signs in self._kept[track]])
            for track, final in sorted(renumbering.items(), key=lambda pair: pair[1])
            if self._kept.get(track)
        }
