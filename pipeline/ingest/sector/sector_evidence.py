"""Evidence for echoes on the screen, and the score that a shape gains from it.

Sound runs along beams, from the probe's face down. An echo proves that its beam entered the body, so darkness below it
is a shadow, fluid or attenuation, and not the border. Darkness above a beam's first echo speaks against the shape:
sound that meets nothing at the face meets nothing deeper.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["HIGH_COST", "LINE_WEIGHT", "LOW_COST", "DarkPenalty", "Fit", "SectorEvidence", "cell_fit_scores"]

Map = NDArray[np.float32]
Cells = NDArray[np.floating]
Shape = TypeVar("Shape")


@dataclass(frozen=True)
class DarkPenalty:
    """The cost of a dark pixel in a sector, where a pixel of echo gains 1.

    below_first_echo, above_first_echo : on a beam with echoes
    without_echo : on beams or at depths without any echo
    """

    below_first_echo: float
    above_first_echo: float
    without_echo: float


# All values below: common practice, no source. A low cost suits sectors mostly in shadow. A high cost puts a border
# where it is.
LOW_COST, HIGH_COST = DarkPenalty(0.005, 0.5, 0.02), DarkPenalty(0.05, 0.5, 0.1)
# The gain of a pixel of line in a still, where it may be a wall in fluid, or else a tick of a ruler.
LINE_WEIGHT = 0.6
# Share of all depths at which a beam must have shown echoes to count as one that entered the body.
MIN_ECHO_DEPTH_SHARE = 0.015
LIT_CELL_SHARE = 0.3  # a cell with a larger share of echo counts as an echo


@dataclass(frozen=True)
class Fit(Generic[Shape]):
    """A shape and its score: the sum of the evidence in it, in px of echo."""

    shape: Shape
    score: float


class SectorEvidence:
    """What speaks for and against echoes at each place of a picture. All maps are (H, W) float32.

    echo : 1 where the picture changes or has the grain of echoes, below 0 on paint
    line : 1 on what may be echo or text
    dark : 1 on empty screen
    """

    def __init__(self, echo: Map, line: Map, dark: Map) -> None:
        self.echo, self.line, self.dark = echo, line, dark

    @property
    def shape(self) -> tuple[int, int]:
        height, width = self.echo.shape
        return height, width

    @property
    def echo_px(self) -> float:
        """Area of all echoes, px. Paint does not count."""
        return float(self.echo.clip(min=0).sum())

    def echo_px_in(self, mask: NDArray[np.bool_]) -> float:
        """Area of the echoes in ``mask`` (H, W), px."""
        return float(self.echo[mask].clip(min=0).sum())

    @property
    def flipped(self) -> SectorEvidence:
        """The evidence upside down."""
        return SectorEvidence(self.echo[::-1], self.line[::-1], self.dark[::-1])

    @property
    def with_lines_as_echoes(self) -> SectorEvidence:
        """The evidence with lines counted as echoes, by LINE_WEIGHT."""
        return SectorEvidence(np.maximum(self.echo, np.float32(LINE_WEIGHT) * self.line), self.line * 0, self.dark)

    def downsampled(self, side: int) -> tuple[SectorEvidence, float]:
        """The evidence on a grid with ``side`` cells along the longer side, and the width of a cell in px."""
        height, width = self.shape
        factor = max(1.0, max(height, width) / side)
        size = max(1, round(width / factor)), max(1, round(height / factor))
        maps = (cv2.resize(each, size, interpolation=cv2.INTER_AREA) for each in (self.echo, self.line, self.dark))
        return SectorEvidence(*(np.asarray(each, np.float32) for each in maps)), factor


def cell_fit_scores(
    area: Cells, echo: Cells, dark: Cells, line: Cells | None = None, *, dark_penalty: DarkPenalty
) -> NDArray[np.float64]:
    """(D, B) score that each cell adds to a sector that holds it; depths run from the face down, beams across.

    area, echo, dark, line : (D, B), in px, of each cell and of the evidence in it
    """
    lit = echo > LIT_CELL_SHARE * np.maximum(area, 1e-3)
    # Echoes of each beam down to each depth: from sums over all beams to its left, which are computed in one pass.
    lit_so_far = np.diff(cv2.integral(lit.view(np.uint8))[1:], axis=1)
    entered = lit_so_far > MIN_ECHO_DEPTH_SHARE * len(lit)
    below = np.where(lit.any(axis=1, keepdims=True), dark_penalty.below_first_echo, dark_penalty.without_echo)
    above = np.where(entered[-1:], dark_penalty.above_first_echo, dark_penalty.without_echo)
    cost = np.where(entered, below, above)
    score = echo - cost * dark
    return np.asarray(score if line is None else score + LINE_WEIGHT * line * entered)
