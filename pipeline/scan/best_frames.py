"""The picture of each track: the frame that shows it best, chosen while the clip streams by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.scan.frame_consumer import TrackedFrame

__all__ = ["BestFrames", "ScanPicture"]

JPEG_QUALITY = 90  # of 100; common practice, no source
ENCODE_AFTER_FRAMES = 16
"""A track that has not improved for so many frames is encoded. Encoding takes about 2 ms, about as much as decoding a
frame, and a growing outline improves in every frame; waiting longer would hold more frames in memory."""

EllipseRow = tuple[float, float, float, float, float]


@dataclass(frozen=True)
class ScanPicture:
    """The best frame of one track: masked to the sector, as JPEG, with the track's outline in that frame.

    frame : index from 0;  ellipse : [cx, cy, semi-major, semi-minor, degrees] in px of the picture,
    which has the size of the source frame
    """

    frame: int
    ellipse: EllipseRow
    jpeg: bytes


@dataclass
class _MaskedFrame:
    """One masked frame, which may be the best of several tracks. grey : (H, W), None once it is encoded"""

    frame: int
    grey: NDArray[np.uint8] | None
    jpeg: bytes = b""

    def encode(self) -> None:
        if self.grey is not None:
            _, data = cv2.imencode(".jpg", self.grey, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            self.jpeg, self.grey = data.tobytes(), None


class BestFrames:
    """Holds the best frame of every track of one clip; only a few of them are held uncompressed.

    mask : (H, W) bool, the sector; everything else is black in the pictures, including names and dates
    """

    def __init__(self, mask: NDArray[np.bool_]) -> None:
        self._mask = mask.astype(np.uint8)
        self._best: dict[int, tuple[_MaskedFrame, EllipseRow]] = {}

    def add_frame(self, tracked: TrackedFrame) -> None:
        """Keep the frame for the tracks that it shows better than any frame before."""
        frame, update = tracked.frame, tracked.update
        rows = np.flatnonzero(update.is_best_view & (update.track_ids > 0))
        if len(rows):
            masked = _MaskedFrame(frame.index, frame.grey * self._mask)
            for row in rows:
                cx, cy, major, minor, degrees = tracked.detections.ellipses[row].tolist()
                self._best[int(update.track_ids[row])] = (masked, (cx, cy, major, minor, degrees))
        for masked, _ in self._best.values():
            if masked.grey is not None and frame.index - masked.frame >= ENCODE_AFTER_FRAMES:
                masked.encode()
        for track in update.dropped:
            self._best.pop(track, None)

    def finish(self, final_ids: Mapping[int, int]) -> dict[int, ScanPicture]:
        """The pictures by final track id."""
        pictures: dict[int, ScanPicture] = {}
        for track, final in sorted(final_ids.items(), key=lambda pair: pair[1]):
            masked, ellipse = self._best[track]
            masked.encode()
            pictures[final] = ScanPicture(masked.frame, ellipse, masked.jpeg)
        return pictures
