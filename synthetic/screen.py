"""What a machine draws around its picture: rulers, a grey bar, text. All of it invented."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Screen", "draw_screen"]

Picture = NDArray[np.uint8]


class Screen:
    """Furniture of one machine on a (height, width) screen, painted over every frame of a clip."""

    def __init__(self, furniture: Picture) -> None:
        self._furniture = furniture
        self._painted = furniture > 0

    def paint(self, frame: Picture) -> Picture:
        """(H, W) uint8 with the furniture over it."""
        return np.where(self._painted, self._furniture, frame)


def draw_screen(
    rng: np.random.Generator,
    height: int,
    width: int,
    *,
    depth_mm: float,
    mm_per_px: float,
    face_y_px: float,
    frequency_mhz: float,
) -> Screen:
    """A screen with a depth ruler at the right edge and, by chance, a grey bar and settings in the left margin."""
    picture = np.zeros((height, width), dtype=np.uint8)
    bright = int(rng.integers(130, 230))
    x = width - 10
    for centimetre in range(int(depth_mm / 10) + 1):
        y = round(face_y_px + centimetre * 10 / mm_per_px)
        if y < height:
            length = 8 if centimetre % 5 == 0 else 4
            cv2.line(picture, (x, y), (x + length, y), bright, 1)
    if rng.random() < 0.6:
        bar = np.linspace(255, 1, 120).astype(np.uint8)
        picture[height // 2 : height // 2 + 120, 6:14] = bar[:, None]
    if rng.random() < 0.8:
        lines = (f"{frequency_mhz:.1f} MHz", f"D {depth_mm / 10:.1f} cm", f"DR {int(rng.integers(45, 80))}")
        for row, text in enumerate(lines):
            cv2.putText(picture, text, (6, 18 + 16 * row), cv2.FONT_HERSHEY_PLAIN, 0.9, bright, 1, cv2.LINE_AA)
    return Screen(picture)
