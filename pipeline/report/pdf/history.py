"""Her other exams on paper: the sentences, a table of the latest ones, and beside it the timeline of all.

The same marks with the same meaning as ``timeline.py`` has for the screen, in its units scaled to the paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.estimate.finding import History
from pipeline.report.pdf.paper import INK, MARSH, RULE, SOFT, WHITE, Align, Face, Paper
from pipeline.report.timeline import FOOT, HEIGHT, LEFT, RIGHT, WIDTH, Mark, Timeline, timeline

__all__ = ["draw_history"]

LETTERS, SMALL, AXIS = 8.5, 7.5, 6.6  # points
LEADING = 1.22
MOST_LINES = 6  # of all sentences
MOST_ROWS = 5
TIMELINE_WIDTH = 205.0  # points
COLUMNS = (  # label, key, left edge, width; points
    ("Exam", "date", 0.0, 70.0), ("Shelled eggs", "shelled", 74.0, 70.0), ("Follicles", "follicles", 148.0, 66.0),
    ("Stage", "stage", 218.0, 50.0), ("Passed before it", "passed", 272.0, 52.0),
)  # fmt: skip


def draw_history(
    paper: Paper, content: Mapping[str, Any], history: History, at: tuple[float, float], width: float
) -> float:
    """Draw from y down and give back the y below. content : the sheet's, under "history"."""
    x, y = at
    lines = [line for words in content["sentences"] for line in paper.lines(words, width, LETTERS)]
    if len(lines) > MOST_LINES:
        lines = [*lines[: MOST_LINES - 1], "and more, in report.html"]
    for line in lines:
        paper.text(line, (x, y), LETTERS)
        y += LEADING * LETTERS
    y += 3
    drawn = timeline(history)
    if drawn is None:
        return y
    drawing = _Drawing(paper, x + width - TIMELINE_WIDTH, y)
    return max(_table(paper, x, y + 2, content["rows"]), drawing.draw(drawn))


def _table(paper: Paper, x: float, y: float, rows: list[dict[str, Any]]) -> float:
    for label, _, left, room in COLUMNS:
        paper.text(paper.cut(label, room, SMALL), (x + left, y), SMALL, ink=SOFT)
    y += LEADING * SMALL + 1
    for row in rows[:MOST_ROWS]:
        for _, key, left, room in COLUMNS:
            face: Face = "bold" if row["is_this"] else "plain"
            paper.text(paper.cut(row[key], room, SMALL, face), (x + left, y), SMALL, face)
        y += LEADING * SMALL + 1
        paper.line((x, y), (x + COLUMNS[-1][2] + COLUMNS[-1][3], y), RULE, 0.5)
        y += 1
    if len(rows) > MOST_ROWS:
        y = paper.paragraph(f"and {len(rows) - MOST_ROWS} more, in report.html", (x, y), 300, SMALL, "bold")
    return y


class _Drawing:
    """x, y : of the drawing's top left corner"""

    def __init__(self, paper: Paper, x: float, y: float) -> None:
        self.paper, self.x, self.y, self.scale = paper, x, y, TIMELINE_WIDTH / WIDTH

    def at(self, across: float, down: float) -> tuple[float, float]:
        return self.x + self.scale * across, self.y + self.scale * down

    def draw(self, drawn: Timeline) -> float:
        for y, eggs in drawn.ticks:
            self.paper.line(self.at(LEFT, y), self.at(RIGHT, y), RULE, 0.5)
            self._words(f"{eggs}", LEFT - 6, y, "right", SOFT)
        for x, words in drawn.dates:
            self._words(words, x, FOOT + 24, "middle", SOFT)
        for x, words in drawn.left:
            self.paper.triangle(self.at(x - 4, FOOT + 3), self.at(x + 4, FOOT + 3), self.at(x, FOOT + 10), INK)
            self._words(words, x + 6, FOOT + 7, "left", INK)
        for x in drawn.blind:
            self._words("?", x, FOOT - 6, "middle", SOFT)
        for mark in drawn.marks:
            self._mark(mark)
        key = "dot: shelled eggs · ring: follicles · line: 90 % range · triangle: passed"
        self.paper.text(key, self.at(WIDTH, HEIGHT + 3), AXIS, ink=SOFT, align="right")
        return self.y + self.scale * HEIGHT + 1.6 * AXIS

    def _mark(self, mark: Mark) -> None:
        dash = None if mark.is_shelled else (1.2, 1.2)
        self.paper.line(self.at(mark.x, mark.high), self.at(mark.x, mark.low), MARSH, 1.0, dash)
        self.paper.dot(self.at(mark.x, mark.y), 2.3, MARSH)
        if not mark.is_shelled:
            self.paper.dot(self.at(mark.x, mark.y), 1.4, WHITE)
        if not mark.number:  # it stands on the line of none
            return
        side = -6.5 if mark.is_shelled else 6.5
        self._words(f"{mark.number}", mark.x + side, mark.y, "right" if mark.is_shelled else "left", INK)

    def _words(self, words: str, x: float, middle: float, align: Align, ink: str) -> None:
        across, down = self.at(x, middle)
        self.paper.text(words, (across, down - 0.62 * AXIS), AXIS, ink=ink, align=align)
