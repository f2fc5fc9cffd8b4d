"""The map of the animal on paper: ``body_map.py`` has it for the screen, in the same places, and in words."""

from __future__ import annotations

from pipeline.estimate.finding import Stage
from pipeline.report.body_map import BODY, HEIGHT, LIMBS, WIDTH, BodyMap
from pipeline.report.pdf.paper import INK, MARSH, RULE, SOFT, WHITE, Paper

__all__ = ["draw_map"]

DASHES: dict[Stage, tuple[float, float] | None] = {
    "calcified": None,
    "thin-shelled": (2.0, 1.8),
    "follicle": (0.3, 1.6),
}
LETTERS = 6.2


def draw_map(paper: Paper, found: BodyMap, at: tuple[float, float], width: float) -> float:
    """Draw from y down and give back the y below."""
    scale = width / WIDTH

    def place(x: float, y: float) -> tuple[float, float]:
        return at[0] + scale * x, at[1] + scale * y

    left, top, wide, high = BODY[0] * WIDTH, BODY[1] * HEIGHT, BODY[2] * WIDTH, BODY[3] * HEIGHT
    middle = left + wide / 2
    for x, y, across, down, degrees in LIMBS:
        paper.oval(place(x, y), (scale * across, scale * down), ink=SOFT, weight=0.5, degrees=degrees)
    paper.oval(place(middle, top + high / 2), (scale * wide, scale * high), WHITE, INK, 0.8)
    paper.line(place(middle, top + 6), place(middle, top + high - 6), RULE, 0.4)
    paper.text("head", place(middle + 24, 2), LETTERS)
    paper.text("tail", place(middle + 14, HEIGHT - 18), LETTERS)
    paper.text("her right", place(0, 12), LETTERS)
    paper.text("her left", place(WIDTH, 12), LETTERS, align="right")
    radius = found.radius * width
    for egg in found.eggs:
        x, y = at[0] + egg.x * width, at[1] + egg.y * scale * HEIGHT
        paper.oval((x, y), (2 * radius, 2 * radius), WHITE, MARSH, 0.9, DASHES[egg.stage])
        size = 1.3 * radius
        paper.text(str(egg.identity), (x, y - 0.62 * size), size, "bold", align="middle")
    return at[1] + scale * HEIGHT
