"""The graphics around the sector on a machine's screen: rulers, grey bars, text, emblems and markers.

No layout is that of a real machine: every element is invented and placed at random where the sector leaves room.
"""

from __future__ import annotations

import cv2
import numpy as np

from synthetic.acoustics.geometry import Scanner, View
from synthetic.film.screen_canvas import FONTS, Canvas, Mask, Screen, depth_ticks, text_block

__all__ = ["draw_screen"]

_PLACES = ("Alder Fen", "Alder Fen Stn", "A.F. Wards", "Fen 2")
_PRESETS = ("coelom", "small parts", "repro", "body", "deep", "fossa")


def draw_screen(rng: np.random.Generator, sector: Mask, scanner: Scanner, view: View) -> Screen:
    """The screen of one machine around its sector (H, W) bool. scanner, view : tensors of one row

    There is always a depth ruler at one side or both. At random there are a grey background, a grey bar, text in the
    corners, an emblem, an orientation marker beside the face, ticks along the sector's sides, and focus marks. Shares
    and sizes are judgement, without a source.
    """
    screen_grey = 0 if rng.random() < 0.6 else int(rng.integers(4, 25))
    canvas = Canvas.around(sector, int(rng.integers(120, 240)))
    depth_mm, mm_per_px = float(scanner.depth_mm), float(view.mm_per_px)
    ticks = depth_ticks(float(view.face_y_px), depth_mm, mm_per_px, len(sector))
    sides = ((-1,), (1,), (-1, 1))[int(rng.choice(3, p=[0.25, 0.55, 0.2]))]
    for side in sides:
        _draw_ruler(rng, canvas, ticks, side)
    if rng.random() < 0.3:
        _draw_side_ticks(canvas, sector, ticks)
    if rng.random() < 0.6:
        _draw_focus(rng, canvas, ticks, sides[0])
    if rng.random() < 0.6:
        _draw_grey_bar(rng, canvas)
    if rng.random() < 0.7:
        _draw_orientation_marker(rng, canvas, float(view.face_x_px))
    if rng.random() < 0.5:
        _draw_emblem(rng, canvas)
    for _ in range(int(rng.integers(0, 4))):
        _draw_text(rng, canvas, float(scanner.frequency_mhz), depth_mm)
    return canvas.screen(sector, screen_grey)


def _draw_ruler(rng: np.random.Generator, canvas: Canvas, ticks: list[int], side: int) -> None:
    """Ticks one centimetre apart near the left (-1) or right (1) edge; every fifth is longer, and some have numbers."""
    width = canvas.picture.shape[1]
    edge = int(rng.integers(2, 8))
    start = edge if side < 0 else width - 1 - edge
    dots = rng.random() < 0.25
    numbered = rng.random() < 0.5
    for centimetre, row in enumerate(ticks):
        long = centimetre % 5 == 0
        if dots:
            cv2.circle(canvas.picture, (start - 3 * side, row), 2 if long else 1, canvas.ink, -1)
        else:
            cv2.line(canvas.picture, (start, row), (start - (8 if long else 4) * side, row), canvas.ink, 1)
        left = start - 28 if side > 0 else start + 11
        if numbered and long and canvas.has_room(left, row - 6, 18, 12):
            cv2.putText(canvas.picture, str(centimetre), (left, row + 4), FONTS[0], 0.8, canvas.ink, 1, cv2.LINE_AA)
    canvas.take(start - 9 if side > 0 else start, ticks[0] - 2, 10, ticks[-1] - ticks[0] + 4)


def _draw_side_ticks(canvas: Canvas, sector: Mask, ticks: list[int]) -> None:
    """Dots beside both sides of the sector."""
    for row in ticks:
        columns = np.flatnonzero(sector[row])
        if len(columns):
            for column in (columns[0] - 5, columns[-1] + 5):
                cv2.circle(canvas.picture, (int(column), row), 1, canvas.ink, -1)


def _draw_focus(rng: np.random.Generator, canvas: Canvas, ticks: list[int], side: int) -> None:
    """One or two triangles beside the ruler, at the depth of the focus."""
    width = canvas.picture.shape[1]
    for _ in range(1 if rng.random() < 0.7 else 2):
        row = int(rng.integers(ticks[0] + 10, max(ticks[-1], ticks[0] + 11)))
        column = 22 if side < 0 else width - 23
        if canvas.has_room(column - 5, row - 5, 11, 11):
            tip = np.array([[column + 5 * side, row - 4], [column + 5 * side, row + 4], [column - 4 * side, row]])
            cv2.fillPoly(canvas.picture, [tip.astype(np.int32)], canvas.ink, cv2.LINE_AA)
            canvas.take(column - 5, row - 5, 11, 11)


def _draw_grey_bar(rng: np.random.Generator, canvas: Canvas) -> None:
    """A bar of all greys from white to black, vertical at one side or horizontal at the bottom."""
    height, width = canvas.picture.shape
    long, thick = int(rng.integers(80, 160)), int(rng.integers(5, 11))
    bar = np.linspace(255, 1, long).astype(np.uint8)
    if rng.random() < 0.25:
        left, top = int(rng.integers(20, width - long - 20)), height - thick - 6
        strip = np.repeat(bar[None, ::-1], thick, axis=0)
    else:
        left = int(rng.integers(4, 20)) if rng.random() < 0.6 else width - thick - int(rng.integers(14, 24))
        top = int(rng.integers(10, height - long - 10))
        strip = np.repeat(bar[:, None], thick, axis=1)
    canvas.put(left, top, strip)


def _draw_orientation_marker(rng: np.random.Generator, canvas: Canvas, face_x_px: float) -> None:
    """A marker beside the probe's face that shows which side is which."""
    size = int(rng.integers(5, 9))
    side = -1 if rng.random() < 0.6 else 1
    piece = np.zeros((2 * size + 1, 2 * size + 1), np.uint8)
    kind = rng.integers(3)
    if kind == 0:
        cv2.circle(piece, (size, size), size - 1, canvas.ink, -1 if rng.random() < 0.5 else 1, cv2.LINE_AA)
    elif kind == 1:  # a fin
        fin = np.array([[1, 2 * size - 1], [2 * size - 1, 2 * size - 1], [size + side * size // 2, 1]])
        cv2.polylines(piece, [fin.astype(np.int32)], True, canvas.ink, 1, cv2.LINE_AA)
    else:
        cv2.putText(piece, "L" if side < 0 else "R", (1, 2 * size - 2), FONTS[1], size / 14, canvas.ink, 1, cv2.LINE_AA)
    # Outwards from the face until there is room.
    for away in range(20, canvas.picture.shape[1] // 2, 6):
        if canvas.put(int(face_x_px + side * away) - size, int(rng.integers(4, 16)), piece):
            return


def _draw_emblem(rng: np.random.Generator, canvas: Canvas) -> None:
    """A logo in a corner: an alder leaf or rings on water."""
    size = int(rng.integers(10, 17))
    piece = np.zeros((2 * size + 1, 2 * size + 1), np.uint8)
    if rng.random() < 0.5:
        cv2.ellipse(piece, (size, size), (size // 2, size - 2), 20, 0, 360, canvas.ink, 1, cv2.LINE_AA)
        cv2.line(piece, (size - 4, 2 * size - 1), (size + 4, 3), canvas.ink, 1, cv2.LINE_AA)
    else:
        for radius in range(3, size, 4):
            cv2.ellipse(piece, (size, size), (radius, radius // 2 + 1), 0, 0, 360, canvas.ink, 1, cv2.LINE_AA)
    canvas.put(*_corner(rng, canvas, *piece.shape[::-1]), piece)


def _draw_text(rng: np.random.Generator, canvas: Canvas, frequency_mhz: float, depth_mm: float) -> None:
    """A block of one to five lines in a corner: settings, time, place."""
    lines = [
        f"{frequency_mhz:.1f} MHz",
        f"D {depth_mm / 10:.1f} cm",
        f"DR {int(rng.integers(45, 80))}",
        f"G {int(rng.integers(30, 90))} %",
        f"{int(rng.integers(12, 60))} Hz",
        f"MI {rng.uniform(0.4, 1.2):.1f}",
        f"{int(rng.integers(7, 20)):02d}:{int(rng.integers(60)):02d}",
        str(rng.choice(_PLACES)),
        str(rng.choice(_PRESETS)),
    ]
    chosen = [lines[i] for i in rng.permutation(len(lines))[: int(rng.integers(1, 6))]]
    font = FONTS[int(rng.integers(len(FONTS)))]
    scale = float(rng.uniform(0.8, 1.0)) if font == cv2.FONT_HERSHEY_PLAIN else float(rng.uniform(0.32, 0.45))
    step = int(rng.integers(13, 18))
    piece = text_block(chosen, font, scale, step, canvas.ink)
    canvas.put(*_corner(rng, canvas, *piece.shape[::-1]), piece)


def _corner(rng: np.random.Generator, canvas: Canvas, wide: int, high: int) -> tuple[int, int]:
    """Left and top of an element near a random corner, moved a little along the edge."""
    height, width = canvas.picture.shape
    across, down = int(rng.integers(3, 40)), int(rng.integers(3, 12))
    left = across if rng.random() < 0.5 else width - wide - across
    top = down if rng.random() < 0.7 else height - high - down
    return left, top
