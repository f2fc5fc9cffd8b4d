"""Her other exams on paper: the sentences, a table of the latest ones, and beside it the timeline of all.

The same marks with the same meaning as ``timeline.py`` has for the screen, in its units scaled to the paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.estimate.results import History
from pipeline.report.pdf.page import GREEN, MUTED, RULE_COLOUR, TEXT_COLOUR, WHITE, Align, Face, PdfPage
from pipeline.report.timeline import BOTTOM, HEIGHT, LEFT, RIGHT, WIDTH, CountMark, Timeline, timeline

__all__ = ["draw_history"]

BODY_PT, SMALL_PT, AXIS_PT = 8.5, 7.5, 6.6  # points
LEADING = 1.22
MAX_SENTENCE_LINES = 6  # of all sentences
MAX_ROWS = 5
TIMELINE_WIDTH = 205.0  # points
COLUMNS = (  # label, key, left edge, width; points
    ("Exam", "date", 0.0, 70.0), ("Shelled eggs", "shelled", 74.0, 70.0), ("Follicles", "follicles", 148.0, 66.0),
    ("Stage", "stage", 218.0, 50.0), ("Passed before it", "passed", 272.0, 52.0),
)  # fmt: skip


def draw_history(
    page: PdfPage, content: Mapping[str, Any], history: History, at: tuple[float, float], width: float
) -> float:
    """Draw from y down and give back the y below. content : the sheet's, under "history"."""
    x, y = at
    lines = [line for words in content["sentences"] for line in page.wrap(words, width, BODY_PT)]
    if len(lines) > MAX_SENTENCE_LINES:
        lines = [*lines[: MAX_SENTENCE_LINES - 1], "and more, in report.html"]
    for line in lines:
        page.text(line, (x, y), BODY_PT)
        y += LEADING * BODY_PT
    y += 3
    drawn = timeline(history)
    if drawn is None:
        return y
    drawing = _Drawing(page, x + width - TIMELINE_WIDTH, y)
    return max(_table(page, x, y + 2, content["rows"]), drawing.draw(drawn))


def _table(page: PdfPage, x: float, y: float, rows: list[dict[str, Any]]) -> float:
    for label, _, left, room in COLUMNS:
        page.text(page.truncate(label, room, SMALL_PT), (x + left, y), SMALL_PT, colour=MUTED)
    y += LEADING * SMALL_PT + 1
    for row in rows[:MAX_ROWS]:
        for _, key, left, room in COLUMNS:
            face: Face = "bold" if row["is_current_exam"] else "plain"
            page.text(page.truncate(row[key], room, SMALL_PT, face), (x + left, y), SMALL_PT, face)
        y += LEADING * SMALL_PT + 1
        page.line((x, y), (x + COLUMNS[-1][2] + COLUMNS[-1][3], y), RULE_COLOUR, 0.5)
        y += 1
    if len(rows) > MAX_ROWS:
        y = page.paragraph(f"and {len(rows) - MAX_ROWS} more, in report.html", (x, y), 300, SMALL_PT, "bold")
    return y


class _Drawing:
    """x, y : of the drawing's top left corner"""

    def __init__(self, page: PdfPage, x: float, y: float) -> None:
        self.page, self.x, self.y, self.scale = page, x, y, TIMELINE_WIDTH / WIDTH

    def at(self, across: float, down: float) -> tuple[float, float]:
        return self.x + self.scale * across, self.y + self.scale * down

    def draw(self, drawn: Timeline) -> float:
        for y, eggs in drawn.ticks:
            self.page.line(self.at(LEFT, y), self.at(RIGHT, y), RULE_COLOUR, 0.5)
            self._words(f"{eggs}", LEFT - 6, y, "right", MUTED)
        for x, words in drawn.dates:
            self._words(words, x, BOTTOM + 24, "middle", MUTED)
        for x, words in drawn.passed:
            self.page.triangle(
                self.at(x - 4, BOTTOM + 3), self.at(x + 4, BOTTOM + 3), self.at(x, BOTTOM + 10), TEXT_COLOUR
            )
            self._words(words, x + 6, BOTTOM + 7, "left", TEXT_COLOUR)
        for x in drawn.unscanned_x:
            self._words("?", x, BOTTOM - 6, "middle", MUTED)
        for mark in drawn.marks:
            self._mark(mark)
        key = "dot: shelled eggs · ring: follicles · line: 90 % range · triangle: passed"
        self.page.text(key, self.at(WIDTH, HEIGHT + 3), AXIS_PT, colour=MUTED, align="right")
        return self.y + self.scale * HEIGHT + 1.6 * AXIS_PT

    def _mark(self, mark: CountMark) -> None:
        dash = None if mark.is_shelled else (1.2, 1.2)
        self.page.line(self.at(mark.x, mark.high), self.at(mark.x, mark.low), GREEN, 1.0, dash)
        self.page.dot(self.at(mark.x, mark.y), 2.3, GREEN)
        if not mark.is_shelled:
            self.page.dot(self.at(mark.x, mark.y), 1.4, WHITE)
        if not mark.number:  # it stands on the line of none
            return
        side = -6.5 if mark.is_shelled else 6.5
        self._words(f"{mark.number}", mark.x + side, mark.y, "right" if mark.is_shelled else "left", TEXT_COLOUR)

    def _words(self, words: str, x: float, middle: float, align: Align, colour: str) -> None:
        across, down = self.at(x, middle)
        self.page.text(words, (across, down - 0.62 * AXIS_PT), AXIS_PT, colour=colour, align=align)
