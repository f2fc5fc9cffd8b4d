"""Small pictures of a clip's frames, to find frames that show the same place.

A thumbnail keeps the layout of the picture and drops its brightness: the sector in a few cells, each compared with its
surroundings in units of their contrast. Speckle disappears at this size; eggs, shadows and layers do not. Beside it
lies a map of what was found in the frame: each outline as a soft spot, as bright as its score.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ThumbnailStack", "Thumbnails"]

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
    maximum_kept: int = 1000  # beyond it every second one is dropped, so that memory does not grow with the clip
    spot_fading: float = 0.7  # a spot is exp(-0.7) as bright on its outline as in its middle
    minimum_score: float = 0.25  # of a detection that leaves a spot


_MODEL = _ThumbnailModel()


@dataclass(frozen=True)
class ThumbnailStack:
    """The thumbnails of K frames of one clip.

    frames : (K,) int64, ascending, evenly spaced
    pictures : (K, S, S) int8;  outlines : (K, S, S) uint8, 255 for a certain object;  S cells along the sector's box
    inside : (S, S) bool, cells that lie in the sector
    """

    frames: NDArray[np.int64]
    pictures: NDArray[np.int8]
    outlines: NDArray[np.uint8]
    inside: NDArray[np.bool_]


class Thumbnails:
    """Collects the thumbnails of a clip, frame by frame. mask : (H, W) bool, the sector;  box : x0, y0, x1, y1"""

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
        middles = (np.arange(_MODEL.side) + 0.5) / _MODEL.side
        self._cell_xy = np.stack(np.meshgrid(x0 + middles * (x1 - x0), y0 + middles * (y1 - y0)), axis=-1)
        self._stride, self._added = 1, 0
        self._frames: list[int] = []
        self._pictures: list[NDArray[np.int8]] = []
        self._outlines: list[NDArray[np.uint8]] = []

    def add_frame(self, frame: int, grey: Grey, ellipses: Floats, scores: Floats) -> None:
        """Take in the next frame. grey : (H, W);  ellipses : (N, 5) px, what was found;  scores : (N,)"""
        if self._added % self._stride == 0:
            self._frames.append(frame)
            self._pictures.append(self._picture(grey))
            self._outlines.append(self._spots(ellipses, scores))
            if len(self._frames) > _MODEL.maximum_kept:
                self._frames, self._pictures = self._frames[::2], self._pictures[::2]
                self._outlines = self._outlines[::2]
                self._stride *= 2
        self._added += 1

    def finish(self) -> ThumbnailStack:
        """All thumbnails of the clip."""
        shape = (len(self._frames), _MODEL.side, _MODEL.side)
        return ThumbnailStack(
            np.array(self._frames, np.int64),
            np.array(self._pictures, np.int8).reshape(shape),
            np.array(self._outlines, np.uint8).reshape(shape),
            self._inside,
        )

    def _picture(self, grey: Grey) -> NDArray[np.int8]:
        sector = np.asarray(cv2.bitwise_and(self._halve(grey[self._box]), self._sector), np.uint8)
        cells = _to_cells(sector) / self._cover
        smooth = np.asarray(cv2.GaussianBlur(cells * self._inside, (0, 0), _MODEL.smoothing_sd), dtype=np.float32)
        difference = np.asarray(np.where(self._inside, smooth - self._local_mean(smooth), 0), dtype=np.float32)
        contrast = np.sqrt(self._local_mean(difference * difference) + _MODEL.minimum_contrast**2)
        scaled = difference / contrast * (127 / _MODEL.maximum_contrasts)
        return np.asarray(scaled.clip(-127, 127).round(), dtype=np.int8)

    def _spots(self, ellipses: Floats, scores: Floats) -> NDArray[np.uint8]:
        spots = np.zeros((_MODEL.side, _MODEL.side))
        for (x, y, major, minor, degrees), score in zip(ellipses, scores, strict=True):
            if score >= _MODEL.minimum_score:
                along = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
                step = self._cell_xy - (x, y)
                square = (step @ along / major) ** 2 + (step @ (-along[1], along[0]) / minor) ** 2
                np.maximum(spots, score * np.exp(-_MODEL.spot_fading * square), out=spots)
        return np.asarray((255 * spots * self._inside).round(), dtype=np.uint8)

    def _halve(self, grey: Grey) -> Grey:
        for _ in range(self._halvings):
            grey = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        return grey

    def _local_mean(self, cells: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(cells * self._inside, (0, 0), _MODEL.surroundings_sd) / self._share)


def _to_cells(grey: Grey) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(grey, (_MODEL.side, _MODEL.side), interpolation=cv2.INTER_AREA), np.float32)
