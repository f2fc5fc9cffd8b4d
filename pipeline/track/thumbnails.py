"""Small pictures of a clip's frames, to find frames that look alike.

A thumbnail keeps the layout of the picture and drops its brightness: the sector in a few cells, each compared with its
surroundings in units of their contrast. Speckle disappears at this size; eggs, shadows and layers do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Thumbnails"]

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class _ThumbnailModel:
    """Size and normalisation of a thumbnail. Common practice, no source."""

    side: int = 32  # cells along either side of the sector's box
    minimum_cell_px: int = 3  # along the shorter side of a cell; a picture is not halved to less
    inside_share: float = 0.5  # of a cell that must lie in the sector
    smoothing_sd: float = 1.0  # cells
    surroundings_sd: float = 6.0  # cells; the neighbourhood with which a cell is compared
    minimum_contrast: float = 4.5  # grey levels; weaker contrast is noise and compression
    maximum_contrasts: float = 3.0  # contrasts from the surroundings that fill the range of a byte
    maximum_kept: int = 160  # beyond it every second one is dropped, so that memory does not grow with the clip


_MODEL = _ThumbnailModel()


class Thumbnails:
    """Thumbnails of one clip, whose frames are given in order. mask : (H, W) bool, the sector;  box : x0, y0, x1, y1"""

    def __init__(self, mask: NDArray[np.bool_], box: tuple[int, int, int, int]) -> None:
        x0, y0, x1, y1 = box
        # Halving is several times faster than any other step. It comes first, while cells are still some px wide.
        possible_shrinking = min(x1 - x0, y1 - y0) / (_MODEL.side * _MODEL.minimum_cell_px)
        self._halvings = max(0, int(np.log2(possible_shrinking)))
        multiple = 2**self._halvings
        self._box = np.s_[y0 : y1 - (y1 - y0) % multiple, x0 : x1 - (x1 - x0) % multiple]
        # A halved pixel counts only if all its pixels lie in the sector, so that text next to the sector has no effect.
        share = self._halve(np.where(mask[self._box], np.uint8(255), np.uint8(0)))
        self._sector = np.where(share == 255, np.uint8(255), np.uint8(0))
        cover = _to_cells(self._sector) / np.float32(255)
        self._inside = cover > _MODEL.inside_share
        inside_share = cv2.GaussianBlur(self._inside.astype(np.float32), (0, 0), _MODEL.surroundings_sd)
        self._share = np.maximum(inside_share, 1e-3)
        self._cover = np.maximum(cover, _MODEL.inside_share)
        self._stride, self._added = 1, 0
        self._frames: list[int] = []
        self._kept: list[NDArray[np.int8]] = []

    def add_frame(self, frame: int, grey: Grey) -> None:
        """Take in the next frame. grey : (H, W)"""
        if self._added % self._stride == 0:
            self._frames.append(frame)
            self._kept.append(self._thumbnail(grey))
            if len(self._frames) > _MODEL.maximum_kept:
                self._frames, self._kept = self._frames[::2], self._kept[::2]
                self._stride *= 2
        self._added += 1

    @property
    def frames(self) -> NDArray[np.int64]:
        """(K,) the frames whose thumbnails are kept, evenly spaced."""
        return np.array(self._frames, np.int64)

    def correlation(self) -> Floats:
        """(K, K) correlation of every two thumbnails, -1 to 1."""
        if not self._kept:
            return np.zeros((0, 0))
        rows = np.stack(self._kept).astype(np.float64)
        rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)
        return rows @ rows.T

    def _thumbnail(self, grey: Grey) -> NDArray[np.int8]:
        sector = np.asarray(cv2.bitwise_and(self._halve(grey[self._box]), self._sector), np.uint8)
        cells = _to_cells(sector) / self._cover
        smooth = np.asarray(cv2.GaussianBlur(cells * self._inside, (0, 0), _MODEL.smoothing_sd), dtype=np.float32)
        difference = np.asarray(np.where(self._inside, smooth - self._local_mean(smooth), 0), dtype=np.float32)
        contrast = np.sqrt(self._local_mean(difference * difference) + _MODEL.minimum_contrast**2)
        scaled = difference / contrast * (127 / _MODEL.maximum_contrasts)
        return np.asarray(scaled.clip(-127, 127).round()[self._inside], dtype=np.int8)

    def _halve(self, grey: Grey) -> Grey:
        for _ in range(self._halvings):
            grey = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        return grey

    def _local_mean(self, cells: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(cells * self._inside, (0, 0), _MODEL.surroundings_sd) / self._share)


def _to_cells(grey: Grey) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(grey, (_MODEL.side, _MODEL.side), interpolation=cv2.INTER_AREA), np.float32)
