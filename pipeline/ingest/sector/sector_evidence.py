"""What a shape of a sector makes of the evidence: sound runs along beams, from the probe's face down.

An echo proves that its beam has met the body, and darkness below it is a shadow, fluid or fading, and no border.
Darkness that comes before the first echo of a beam is one: sound that meets nothing at the face meets nothing deeper.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["HIGH_COST", "LINE_WEIGHT", "LOW_COST", "DarkPenalty", "SectorEvidence", "cell_fit_scores"]

Map = NDArray[np.float32]
Cells = NDArray[np.floating]


@dataclass(frozen=True)
class DarkPenalty:
    """What a pixel of darkness costs a sector, where an echo earns it 1.

    below_first_echo, above_first_echo : on a beam with echoes;  without_echo : in beams or at depths without any echo
    """

    below_first_echo: float
    above_first_echo: float
    without_echo: float


# Darkness is cheap, for shadows may take most of a sector; or dearer, which puts a border where it is.
LOW_COST, HIGH_COST = DarkPenalty(0.005, 0.5, 0.02), DarkPenalty(0.05, 0.5, 0.1)
LINE_WEIGHT = 0.6  # what a line or a speck earns in a still, where it may be a wall in fluid, or else a ruler's tick
# Of all depths, the share that a beam must show echoes at.
MIN_ECHO_DEPTH_SHARE = 0.015
LIT_CELL_SHARE = 0.3  # share of a cell in echoes that makes it one


class SectorEvidence:
    """What speaks for and against echoes at each place of a picture; all (H, W) float32.

    echo : 1 for what lives, or is grainy, below 0 for paint;  line : 1 for what may be echo or writing;  dark : 1 for
    empty screen
    """

    def __init__(self, echo: Map, line: Map, dark: Map) -> None:
        self.echo, self.line, self.dark = echo, line, dark

    @property
    def shape(self) -> tuple[int, int]:
        height, width = self.echo.shape
        return height, width

    @property
    def flipped(self) -> SectorEvidence:
        """Upside down."""
        return SectorEvidence(self.echo[::-1], self.line[::-1], self.dark[::-1])

    @property
    def with_lines_as_echoes(self) -> SectorEvidence:
        """The same with lines for echoes, as much as they are worth."""
        return SectorEvidence(np.maximum(self.echo, np.float32(LINE_WEIGHT) * self.line), self.line * 0, self.dark)

    def downsampled(self, side: int) -> tuple[SectorEvidence, float]:
        """The same on a grid with that many cells along the longer side, and how many pixels one of them is wide."""
        height, width = self.shape
        factor = max(1.0, max(height, width) / side)
        size = max(1, round(width / factor)), max(1, round(height / factor))
        maps = (cv2.resize(each, size, interpolation=cv2.INTER_AREA) for each in (self.echo, self.line, self.dark))
        return SectorEvidence(*(np.asarray(each, np.float32) for each in maps)), factor


def cell_fit_scores(
    area: Cells, echo: Cells, dark: Cells, line: Cells | None = None, *, dark_penalty: DarkPenalty
) -> NDArray[np.float64]:
    """(D, B) what each cell of a map over depths, from the face down, and beams adds to a sector that holds it.

    area, echo, dark, line : (D, B), in px, of each cell and of what it has of the evidence
    """
    lit = echo > LIT_CELL_SHARE * np.maximum(area, 1e-3)
    # Echoes of each beam down to each depth: from sums over all beams to its left, which come in one pass.
    lit_so_far = np.diff(cv2.integral(lit.view(np.uint8))[1:], axis=1)
    met = lit_so_far > MIN_ECHO_DEPTH_SHARE * len(lit)
    below = np.where(lit.any(axis=1, keepdims=True), dark_penalty.below_first_echo, dark_penalty.without_echo)
    before = np.where(met[-1:], dark_penalty.above_first_echo, dark_penalty.without_echo)
    cost = np.where(met, below, before)
    gain = echo - cost * dark
    return np.asarray(gain if line is None else gain + LINE_WEIGHT * line * met)
