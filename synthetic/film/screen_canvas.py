"""What all screens are drawn with: a canvas that knows where there is room, and the graphics that come of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["FONTS", "Canvas", "Mask", "Picture", "Screen", "depth_ticks", "text_block"]

Picture = NDArray[np.uint8]
Mask = NDArray[np.bool_]

FONTS = (cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX)


class Screen:
    """The graphics of one machine on a screen (height, width), painted over every frame of a clip."""

    def __init__(self, graphics: Picture, painted: Mask) -> None:
        self._graphics = graphics
        self._is_painted = painted

    def paint(self, frame: Picture) -> Picture:
        """(H, W) uint8 frame with the graphics painted over it."""
        return np.where(self._is_painted, self._graphics, frame)


@dataclass
class Canvas:
    """picture : (H, W) the graphics so far;  taken : (H, W) places that are occupied, by the sector or by graphics
    ink : grey of the graphics
    """

    picture: Picture
    taken: Mask
    ink: int

    def has_room(self, left: int, top: int, width: int, height: int) -> bool:
        rows, columns = self.taken.shape
        if left < 0 or top < 0 or left + width > columns or top + height > rows:
            return False
        return not self.taken[top : top + height, left : left + width].any()

    def take(self, left: int, top: int, width: int, height: int) -> None:
        self.taken[top : top + height, left : left + width] = True

    def put(self, left: int, top: int, piece: Picture) -> bool:
        """Draw a (height, width) piece, if there is room; returns whether there was."""
        height, width = piece.shape
        has_room = self.has_room(left, top, width, height)
        if has_room:
            self.picture[top : top + height, left : left + width] = piece
            self.take(left, top, width, height)
        return has_room

    @classmethod
    def around(cls, sector: Mask, ink: int) -> Canvas:
        """An empty canvas around a sector (H, W) bool, from which the graphics keep a few pixels away."""
        taken = cv2.dilate(sector.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(np.bool_)
        return cls(np.zeros(sector.shape, np.uint8), taken, ink)

    def screen(self, sector: Mask, background: int) -> Screen:
        """The graphics so far, on a grey background."""
        graphics = np.maximum(self.picture, np.uint8(background))
        return Screen(graphics, (self.picture > 0) | ~sector)


def depth_ticks(face_y_px: float, depth_mm: float, mm_per_px: float, height: int) -> list[int]:
    """Rows of whole centimetres of depth below the face, within the screen."""
    rows = (round(face_y_px + centimetre * 10 / mm_per_px) for centimetre in range(int(depth_mm / 10) + 1))
    return [row for row in rows if row < height]


def text_block(lines: list[str], font: int, scale: float, step: int, ink: int) -> Picture:
    """Lines of text below each other. step : px from line to line"""
    wide = max(cv2.getTextSize(text, font, scale, 1)[0][0] for text in lines) + 4
    piece = np.zeros((step * len(lines) + 4, wide), np.uint8)
    for line, text in enumerate(lines):
        cv2.putText(piece, text, (2, step * (line + 1) - 3), font, scale, ink, 1, cv2.LINE_AA)
    return piece
