"""What the sections of one egg in one track come down to.

The scan plane cuts an ellipse in every frame: small near a pole, largest where it passes the middle of the egg. What is
kept is the size of the largest section, whether the plane came from one side of the middle and left on the other, and
how elongated the sections near the middle are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SectionSummary", "summarise_sections"]

Floats = NDArray[np.float64]

# As shares of the largest section's diameter; common practice, no source. Where sections on both sides are below the
# first, the plane crossed the middle: 0.95 is 0.31 of the way from there to the pole. Sections above the second are as
# elongated as the one through the middle.
_SHRUNK_SHARE = 0.95
_NEAR_MIDDLE_SHARE = 0.85
# Frames. The largest of many sections has the largest error, so the largest is taken of medians over this many frames.
_SMOOTHING_FRAMES = 5


@dataclass(frozen=True)
class SectionSummary:
    """equivalent_diameter : diameter of the circle of the largest section's area, in the unit of the ellipses

    elongation_vector : (2,) log of length over width of the sections near the middle, as a vector along twice the angle
    of their long axis, so that errors of round sections average out
    crossed_middle : whether the sections shrank on both sides of the largest
    section_count : number of sections
    """

    equivalent_diameter: float
    elongation_vector: Floats
    crossed_middle: bool
    section_count: int

    def width(self, log_ratio_error: float, log_ratio_scale: float) -> float:
        """Width of the largest section, in the unit of the ellipses.

        A round section measured with an error looks elongated, and therefore too narrow: the expected contribution of
        the errors is subtracted from the squared length of the elongation vector.

        log_ratio_error : standard deviation of each of the vector's two parts
        log_ratio_scale : measured over true log length over width; outlines are drawn too round where it is below 1
        """
        squared = float(self.elongation_vector @ self.elongation_vector) - 2 * log_ratio_error**2
        log_ratio = np.sqrt(max(squared, 0.0)) / log_ratio_scale
        return float(self.equivalent_diameter * np.exp(-log_ratio / 2))


def summarise_sections(ellipses: Floats) -> SectionSummary:
    """Of the outlines (N, 5) of one object in the frames of one track, in their order."""
    diameters = _smoothed(2 * np.sqrt(ellipses[:, 2] * ellipses[:, 3]))
    row = int(np.argmax(diameters))
    largest = float(diameters[row])
    smallest_before, smallest_after = diameters[: row + 1].min(), diameters[row:].min()
    is_near = diameters >= _NEAR_MIDDLE_SHARE * largest
    log_ratio = np.log(ellipses[is_near, 2] / ellipses[is_near, 3])
    double_angle = np.deg2rad(2 * ellipses[is_near, 4])
    return SectionSummary(
        equivalent_diameter=largest,
        elongation_vector=np.array(
            [(log_ratio * np.cos(double_angle)).mean(), (log_ratio * np.sin(double_angle)).mean()]
        ),
        crossed_middle=bool(max(smallest_before, smallest_after) < _SHRUNK_SHARE * largest),
        section_count=len(ellipses),
    )


def _smoothed(values: Floats) -> Floats:
    """(N,) running medians, over fewer values at the ends."""
    half_window = _SMOOTHING_FRAMES // 2
    padded = np.pad(values, half_window, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _SMOOTHING_FRAMES)
    return np.asarray(np.nanmedian(windows, axis=1))
