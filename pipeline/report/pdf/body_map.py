"""The map of the animal on paper: ``body_map.py`` has it for the screen, in the same places, and in words."""

from __future__ import annotations

from pipeline.estimate.results import Stage
from pipeline.report.body_map import APPENDAGES, BODY_BOX, HEIGHT, WIDTH, BodyMap
from pipeline.report.pdf.page import GREEN, MUTED, RULE_COLOUR, TEXT_COLOUR, WHITE, PdfPage

__all__ = ["draw_body_map"]

STAGE_DASHES_PT: dict[Stage, tuple[float, float] | None] = {
    "calcified": None,
    "thin-shelled": (2.0, 1.8),
    "follicle": (0.3, 1.6),
}
LABEL_PT = 6.2


def draw_body_map(page: PdfPage, found: BodyMap, at: tuple[float, float], width: float) -> float:
    """Draw from y down and give back the y below."""
    scale = width / WIDTH

    def place(x: float, y: float) -> tuple[float, float]:
        return at[0] + scale * x, at[1] + scale * y

    left, top, wide, high = BODY_BOX[0] * WIDTH, BODY_BOX[1] * HEIGHT, BODY_BOX[2] * WIDTH, BODY_BOX[3] * HEIGHT
    middle = left + wide / 2
    for x, y, across, down, degrees in APPENDAGES:
        page.ellipse(place(x, y), (scale * across, scale * down), colour=MUTED, weight=0.5, degrees=degrees)
    page.ellipse(place(middle, top + high / 2), (scale * wide, scale * high), WHITE, TEXT_COLOUR, 0.8)
    page.line(place(middle, top + 6), place(middle, top + high - 6), RULE_COLOUR, 0.4)
    page.text("head", place(middle + 24, 2), LABEL_PT)
    page.text("tail", place(middle + 14, HEIGHT - 18), LABEL_PT)
    page.text("her right", place(0, 12), LABEL_PT)
    page.text("her left", place(WIDTH, 12), LABEL_PT, align="right")
    radius = found.radius * width
    for egg in found.eggs:
        x, y = at[0] + egg.x * width, at[1] + egg.y * scale * HEIGHT
        page.ellipse((x, y), (2 * radius, 2 * radius), WHITE, GREEN, 0.9, STAGE_DASHES_PT[egg.stage])
        size = 1.3 * radius
        page.text(str(egg.identity), (x, y - 0.62 * size), size, "bold", align="middle")
    return at[1] + scale * HEIGHT
