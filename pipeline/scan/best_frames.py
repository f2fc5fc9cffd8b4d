"""The picture of each track: the frame that shows it best, chosen while the clip streams by."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame

__all__ = ["BestFrames", "ScanPicture"]

JPEG_QUALITY = 90
ENCODE_AFTER_FRAMES = 16
"""A track that did not improve for so long is encoded. Encoding costs 2 ms or so, about as much as decoding a
frame, and a growing outline improves in every frame; waiting longer would hold more frames in memory."""


@dataclass(frozen=True)
class ScanPicture:
    """The best frame of one track: masked to the sector, as JPEG, with the track's outline at that frame.

    frame : index from 0;  ellipse : [cx, cy, semi-major, semi-minor, degrees] in px of the picture,
    which has the size of the source frame
    """

    frame: int
    ellipse: tuple[float, float, float, float, float]
    jpeg: bytes


@dataclass
class _Shot:
    """One masked frame, which several tracks may have as their best; raw until it is encoded."""

    frame: int
    grey: NDArray[np.uint8] | None
    jpeg: bytes = b""

    def encode(self) -> None:
        if self.grey is not None:
            _, data = cv2.imencode(".jpg", self.grey, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            self.jpeg, self.grey = data.tobytes(), None


class BestFrames:
    """Holds the best frame of every track of one clip, at most a few of them raw.

    mask : (H, W) bool, where the sector is; all else is black in the pictures, names and dates included
    """

    def __init__(self, mask: NDArray[np.bool_]) -> None:
        self._mask = mask.astype(np.uint8)
        self._best: dict[int, tuple[_Shot, tuple[float, float, float, float, float]]] = {}

    def add_frame(
        self, frame: Frame, detections: Detections, tracks: NDArray[np.int64], is_best_view: NDArray[np.bool_]
    ) -> None:
        """Take the frame for the tracks that it shows better than any before.

        tracks : (N,) the track of each detection, 0 for none;  is_best_view : (N,) whether it is now their best
        """
        rows = np.flatnonzero(is_best_view & (tracks > 0))
        if len(rows):
            shot = _Shot(frame.index, frame.grey * self._mask)
            for row in rows:
                cx, cy, major, minor, degrees = detections.ellipses[row].tolist()
                self._best[int(tracks[row])] = (shot, (cx, cy, major, minor, degrees))
        for shot, _ in self._best.values():
            if shot.grey is not None and frame.index - shot.frame >= ENCODE_AFTER_FRAMES:
                shot.encode()

    def drop(self, tracks: tuple[int, ...]) -> None:
        """Forget tracks that were given up."""
        for track in tracks:
            self._best.pop(track, None)

    def pictures(self, renumbering: dict[int, int]) -> dict[int, ScanPicture]:
        """By final track number, for the tracks that have one. renumbering : from the number used so far."""
        pictures: dict[int, ScanPicture] = {}
        for track, final in sorted(renumbering.items(), key=lambda pair: pair[1]):
            shot, ellipse = self._best[track]
            shot.encode()
            pictures[final] = ScanPicture(shot.frame, ellipse, shot.jpeg)
        return pictures
