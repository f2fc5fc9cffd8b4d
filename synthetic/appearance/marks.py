"""A bank of what machines write on pictures: words, numbers, symbols and logos, all invented, drawn once."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

__all__ = ["MARK_HEIGHT", "MARK_WIDTH", "load_marks"]

MARK_HEIGHT, MARK_WIDTH = 28, 96  # px
_NUMBER = 256  # of marks
_FONTS = (
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_PLAIN,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_COMPLEX_SMALL,
    cv2.FONT_HERSHEY_TRIPLEX,
)
_LETTERS = "ABCDEFGHIJKLMNOPRSTUVWXYZabcdefghiklmnoprstuvwxyz"
_WORDS = ("GN", "DR", "Frq", "D", "Fr", "P", "MI", "TIs", "XRes", "Map", "Pers", "L", "R", "dist", "area", "cine")

Picture = NDArray[np.uint8]


@cache
def load_marks(device: torch.device) -> Tensor:
    """(N, 2, 28, 96) float32: grey of the marks, and how much they cover, both in [0, 1]. Always the same marks."""
    rng = np.random.default_rng(0)
    drawn = np.stack([_draw_mark(rng) for _ in range(_NUMBER)])
    return torch.from_numpy(drawn).to(device)


def _draw_mark(rng: np.random.Generator) -> NDArray[np.float32]:
    tile = np.zeros((MARK_HEIGHT, MARK_WIDTH), dtype=np.uint8)
    kind = rng.random()
    if kind < 0.65:
        _write(rng, tile)
    elif kind < 0.9:
        _draw_symbol(rng, tile)
    else:
        _draw_logo(rng, tile)
    cover = tile.astype(np.float32) / 255
    grey = np.ones_like(cover)
    if rng.random() < 0.25:  # on a background of its own
        rows, columns = np.nonzero(tile)
        if len(rows):
            box = slice(max(rows.min() - 2, 0), rows.max() + 3), slice(max(columns.min() - 2, 0), columns.max() + 3)
            grey, box_cover = cover, np.zeros_like(cover)
            box_cover[box] = 1
            if rng.random() < 0.3:
                grey = 0.85 * (1 - grey)
            cover = box_cover
    return np.stack([grey, cover])


def _write(rng: np.random.Generator, tile: Picture) -> None:
    font = _FONTS[int(rng.integers(len(_FONTS)))]
    lines = 1 if rng.random() < 0.6 else 2
    for line in range(lines):
        scale = (
            float(rng.uniform(0.3, 0.65)) * (1.6 if font == cv2.FONT_HERSHEY_PLAIN else 1.0) / (1 + 0.3 * (lines - 1))
        )
        cv2.putText(tile, _phrase(rng), (1, 12 + 13 * line), font, scale, 255, 1, cv2.LINE_AA)


def _phrase(rng: np.random.Generator) -> str:
    kind = rng.integers(4)
    if kind == 0:
        return f"{rng.choice(_WORDS)} {rng.uniform(0, 99):.{int(rng.integers(0, 3))}f}"
    if kind == 1:
        return f"{rng.integers(24):02d}:{rng.integers(60):02d}:{rng.integers(60):02d}"
    if kind == 2:
        return f"{rng.uniform(0, 20):.1f} {rng.choice(['mm', 'cm', 'MHz', 'dB', '%', 'fps'])}"
    return "".join(rng.choice(list(_LETTERS), int(rng.integers(2, 9))))


def _draw_symbol(rng: np.random.Generator, tile: Picture) -> None:
    """Triangles, arrows, dots and hooks, such as machines draw for focus and orientation."""
    size = int(rng.integers(3, 9))
    centre = np.array([size + 2, MARK_HEIGHT // 2])
    kind = rng.integers(5)
    turn = rng.integers(4) * np.pi / 2
    angles = turn + np.array([0, 2.2, -2.2])
    corners = np.round(centre + size * np.stack([np.cos(angles), np.sin(angles)], axis=1)).astype(np.int32)
    at = (int(centre[0]), int(centre[1]))
    if kind == 0:
        cv2.fillPoly(tile, [corners], 255, cv2.LINE_AA)
    elif kind == 1:
        cv2.polylines(tile, [corners], True, 255, 1, cv2.LINE_AA)
    elif kind == 2:
        tip = (int(centre[0] + 2 * size), int(centre[1] + rng.integers(-size, size + 1)))
        cv2.arrowedLine(tile, at, tip, 255, int(rng.integers(1, 3)), cv2.LINE_AA, tipLength=0.4)
    elif kind == 3:
        cv2.circle(tile, at, size // 2 + 1, 255, int(rng.choice([-1, 1])), cv2.LINE_AA)
    else:
        hook = np.array([(at[0], at[1] - size), at, (at[0] + size, at[1])], dtype=np.int32)
        cv2.polylines(tile, [hook], False, 255, 2, cv2.LINE_AA)


def _draw_logo(rng: np.random.Generator, tile: Picture) -> None:
    """A disc or a frame with strokes in it, and often a word next to it."""
    radius = int(rng.integers(6, 13))
    at = (radius + 1, MARK_HEIGHT // 2)
    if rng.random() < 0.5:
        cv2.circle(tile, at, radius, 255, -1, cv2.LINE_AA)
        ink = 0
    else:
        cv2.rectangle(tile, (1, at[1] - radius), (2 * radius, at[1] + radius), 255, 1)
        ink = 255
    for _ in range(int(rng.integers(1, 4))):
        ends = rng.integers(-radius + 2, radius - 1, (2, 2)) + np.array(at)
        cv2.line(tile, tuple(map(int, ends[0])), tuple(map(int, ends[1])), ink, 2, cv2.LINE_AA)
    if rng.random() < 0.6:
        word = "".join(rng.choice(list(_LETTERS), int(rng.integers(3, 7))))
        cv2.putText(tile, word, (2 * radius + 5, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 255, 1, cv2.LINE_AA)
