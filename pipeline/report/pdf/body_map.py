"""The map of the animal on paper, with everything in the same place as on the screen."""

from __future__ import annotations

from models.stages import Stage
from pipeline.report.body_map import APPENDAGES, BODY_BOX, HEIGHT, WIDTH, BodyMap, MapLabels
from pipeline.report.pdf.block import Block, Point, Stroke
from pipeline.report.pdf.text_style import GREEN, MUTED, RULE_COLOUR, WHITE, TextStyle

__all__ = ["body_map_block"]

STAGE_STROKES: dict[Stage, Stroke] = {
    "calcified": Stroke(GREEN, 0.9),
    "thin-shelled": Stroke(GREEN, 0.9, (2.0, 1.8)),
    "follicle": Stroke(GREEN, 0.9, (0.3, 1.6)),
}
LABEL = TextStyle(6.2)


def body_map_block(found: BodyMap, text: str, width: float) -> Block:
    """text : the map in words"""
    scale, labels = width / WIDTH, MapLabels.in_use()
    block = Block(scale * HEIGHT, "Figure", f"{labels.title}. {text}")

    def scaled(x: float, y: float) -> Point:
        return scale * x, scale * y

    left, top = BODY_BOX[0] * WIDTH, BODY_BOX[1] * HEIGHT
    body_width, body_height = BODY_BOX[2] * WIDTH, BODY_BOX[3] * HEIGHT
    middle = left + body_width / 2
    for part in APPENDAGES:
        size = scaled(part.width, part.height)
        block.ellipse(scaled(part.x, part.y), size, Stroke(MUTED, 0.5), degrees=part.degrees)
    block.ellipse(scaled(middle, top + body_height / 2), scaled(body_width, body_height), Stroke(weight=0.8), WHITE)
    block.line(scaled(middle, top + 6), scaled(middle, top + body_height - 6), Stroke(RULE_COLOUR, 0.4))
    block.text(labels.head, scaled(middle + 24, 2), LABEL)
    block.text(labels.tail, scaled(middle + 14, HEIGHT - 18), LABEL)
    block.text(labels.right, scaled(0, 12), LABEL)
    block.text(labels.left, scaled(WIDTH, 12), LABEL, align="right")
    radius = found.radius * width
    number = TextStyle(1.3 * radius, "bold")
    for egg in found.eggs:
        x, y = scaled(egg.x * WIDTH, egg.y * HEIGHT)
        block.ellipse((x, y), (2 * radius, 2 * radius), STAGE_STROKES[egg.stage], WHITE)
        block.text(str(egg.identity), (x, y - number.half_height), number, align="middle")
    return block
