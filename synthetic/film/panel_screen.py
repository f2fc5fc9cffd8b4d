"""Screens with a panel: a column of values beside the sector, a bar across the top, and a ruler at the sector's side.

No layout is that of a real machine: every element is invented.
"""

from __future__ import annotations

import cv2
import numpy as np

from synthetic.acoustics.geometry import Scanner, View
from synthetic.film.screen_canvas import FONTS, Canvas, Mask, Picture, Screen, depth_ticks, text_block

__all__ = ["PANEL_PX", "draw_panel_screen"]

PANEL_PX = 130  # width of the panel, at the left of the screen
_BAR_PX = 14  # height of the bar across the top
_TITLES = ("COELOM", "GRAVID", "TORTOISE", "REPTILE", "GENERAL")
_NAMES = ("Pwr", "Gn", "Dyn", "Map", "Prs", "Edge", "FR", "Frq", "Dep", "Zoom")


def draw_panel_screen(rng: np.random.Generator, sector: Mask, scanner: Scanner, view: View) -> Screen:
    """The screen of one machine around its sector (H, W) bool. scanner, view : tensors of one row

    The ruler is always there. The panel and the bar may have a ground of their own; a grey bar lies in the panel, and a
    scale of centimetres below the sector. Shares and sizes are judgement, without a source.
    """
    canvas = Canvas.around(sector, int(rng.integers(110, 220)))
    depth_mm, mm_per_px = float(scanner.depth_mm), float(view.mm_per_px)
    _draw_ruler(rng, canvas, sector, depth_ticks(float(view.face_y_px), depth_mm, mm_per_px, len(sector)))
    if rng.random() < 0.5:
        _draw_bottom_scale(canvas, float(view.face_x_px), mm_per_px)
    if rng.random() < 0.6:
        canvas.put(12, len(sector) - 30, _grey_bar(rng))
    font = FONTS[int(rng.integers(len(FONTS)))]
    scale = float(rng.uniform(0.75, 0.9)) if font == cv2.FONT_HERSHEY_PLAIN else float(rng.uniform(0.3, 0.4))
    title = f"{rng.choice(_TITLES)}  {int(rng.integers(1, 29)):02d}-{int(rng.integers(1, 13)):02d}"
    canvas.put(int(rng.integers(4, 40)), 1, text_block([title], font, scale, 13, canvas.ink))
    names = rng.permutation(_NAMES)[: int(rng.integers(4, len(_NAMES) + 1))]
    values = [f"{name} {int(rng.integers(1, 100))}" for name in names]
    canvas.put(8, int(rng.integers(40, 120)), text_block(values, font, scale, int(rng.integers(14, 24)), canvas.ink))
    if rng.random() < 0.5:
        _draw_ground(rng, canvas, sector)
    return canvas.screen(sector, 0 if rng.random() < 0.5 else int(rng.integers(3, 20)))


def _draw_ruler(rng: np.random.Generator, canvas: Canvas, sector: Mask, ticks: list[int]) -> None:
    """A line with ticks a centimetre apart, close to the right or the left side of the sector."""
    columns = np.flatnonzero(sector.any(axis=0))
    right = rng.random() < 0.7
    start = int(columns[-1]) + 7 if right else int(columns[0]) - 7
    way = 1 if right else -1
    if rng.random() < 0.5:
        cv2.line(canvas.picture, (start, ticks[0]), (start, ticks[-1]), canvas.ink, 1)
    for centimetre, row in enumerate(ticks):
        length = 7 if centimetre % 5 == 0 else 3
        cv2.line(canvas.picture, (start, row), (start + way * length, row), canvas.ink, 1)
    canvas.take(min(start, start + way * 7), ticks[0], 8, ticks[-1] - ticks[0] + 1)


def _draw_bottom_scale(canvas: Canvas, face_x_px: float, mm_per_px: float) -> None:
    """Ticks a centimetre apart along the foot of the screen, where there is room."""
    height, width = canvas.picture.shape
    reach = int((width - face_x_px) * mm_per_px / 10)
    for centimetre in range(-reach, reach + 1):
        column = round(face_x_px + centimetre * 10 / mm_per_px)
        if canvas.has_room(column, height - 6, 1, 4):
            cv2.line(canvas.picture, (column, height - 6), (column, height - 3), canvas.ink, 1)
    canvas.take(PANEL_PX, height - 7, width - PANEL_PX, 7)


def _grey_bar(rng: np.random.Generator) -> Picture:
    """All greys from left to right, in steps or evenly."""
    steps = int(rng.choice([8, 16, 96]))
    bar = np.linspace(1, 255, steps).astype(np.uint8)
    return np.repeat(np.repeat(bar, 96 // steps)[None], int(rng.integers(6, 12)), axis=0)


def _draw_ground(rng: np.random.Generator, canvas: Canvas, sector: Mask) -> None:
    """A grey ground below the text of the panel and of the bar, with a line around it."""
    ground = np.zeros_like(canvas.picture)
    grey = int(rng.integers(20, 60))
    ground[:_BAR_PX] = grey
    ground[:, : PANEL_PX - 12] = grey
    cv2.line(ground, (PANEL_PX - 12, _BAR_PX), (PANEL_PX - 12, len(ground)), canvas.ink // 2, 1)
    ground[sector] = 0
    canvas.picture = np.maximum(canvas.picture, ground)
