"""Small pictures of a clip's frames, to tell which frames look alike.

A thumbnail keeps what lies where and drops how bright it is: the sector in a few cells, each against its surroundings
in units of their contrast. Speckle is gone at this size; eggs, shadows and layers are not.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Thumbnails"]

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

_SIDE = 32  # cells along either side of the sector's box
_NARROWEST = 3  # px along the shorter side of a cell; a picture is not halved to fewer
_SURROUNDINGS = 6.0  # cells, standard deviation of the neighbourhood that a cell is held against
_LEAST_CONTRAST = 4.5  # grey levels; fainter contrast is noise and coding
_MOST = 160  # kept of a clip: beyond that every second one is let go, so that memory does not grow with its length


class Thumbnails:
    """Of one clip's frames, given in order. mask : (H, W) bool, the sector;  box : x0, y0, x1, y1 around it"""

    def __init__(self, mask: NDArray[np.bool_], box: tuple[int, int, int, int]) -> None:
        x0, y0, x1, y1 = box
        # Halving is several times faster than any other step, and comes first, as long as cells are some px wide.
        self._halvings = max(0, int(np.log2(min(x1 - x0, y1 - y0) / (_SIDE * _NARROWEST))))
        whole = 2**self._halvings
        self._box = np.s_[y0 : y1 - (y1 - y0) % whole, x0 : x1 - (x1 - x0) % whole]
        # Only what lies in the sector with all its pixels counts, lest a name beside it do.
        share = self._halved(np.where(mask[self._box], np.uint8(255), np.uint8(0)))
        self._sector = np.where(share == 255, np.uint8(255), np.uint8(0))
        cover = _cells(self._sector) / np.float32(255)
        self._inside = cover > 0.5
        self._share = np.maximum(cv2.GaussianBlur(self._inside.astype(np.float32), (0, 0), _SURROUNDINGS), 1e-3)
        self._cover = np.maximum(cover, 0.5)
        self._stride, self._seen = 1, 0
        self._frames: list[int] = []
        self._kept: list[NDArray[np.int8]] = []

    def add_frame(self, frame: int, grey: Grey) -> None:
        """The next frame. grey : (H, W)"""
        if self._seen % self._stride == 0:
            self._frames.append(frame)
            self._kept.append(self._thumbnail(grey))
            if len(self._frames) > _MOST:
                self._frames, self._kept = self._frames[::2], self._kept[::2]
                self._stride *= 2
        self._seen += 1

    @property
    def frames(self) -> NDArray[np.int64]:
        """(K,) those of which a thumbnail is kept, evenly spaced."""
        return np.array(self._frames, np.int64)

    def correlation(self) -> Floats:
        """(K, K) correlation of every two thumbnails, -1 to 1."""
        if not self._kept:
            return np.zeros((0, 0))
        rows = np.stack(self._kept).astype(np.float64)
        rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)
        return rows @ rows.T

    def _thumbnail(self, grey: Grey) -> NDArray[np.int8]:
        inner = np.asarray(cv2.bitwise_and(self._halved(grey[self._box]), self._sector), np.uint8)
        cells = _cells(inner) / self._cover
        small = self._apart(np.asarray(cv2.GaussianBlur(cells * self._inside, (0, 0), 1.0), dtype=np.float32))
        contrast = np.sqrt(self._around(small * small) + _LEAST_CONTRAST**2)
        # Three contrasts from the surroundings fill the range of a byte.
        return np.asarray((small / contrast * (127 / 3)).clip(-127, 127).round()[self._inside], dtype=np.int8)

    def _halved(self, grey: Grey) -> Grey:
        for _ in range(self._halvings):
            grey = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        return grey

    def _apart(self, small: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(np.where(self._inside, small - self._around(small), 0), dtype=np.float32)

    def _around(self, small: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(small * self._inside, (0, 0), _SURROUNDINGS) / self._share)


def _cells(grey: Grey) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(grey, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA), np.float32)
