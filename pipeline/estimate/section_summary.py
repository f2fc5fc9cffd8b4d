"""What the sections of one passage of the scan plane through an egg come down to.

The plane cuts an ellipse in every frame: small near a pole, largest where it passes the egg's middle. Of a passage are
kept the largest section's size, whether the plane came from one side of the middle and left on the other, and how
far from round the sections near the middle are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SectionSummary", "summarise_sections"]

Floats = NDArray[np.float64]

# Shares of the largest section. Under the first on both sides, the plane passed the middle: at 0.95 it is 0.31 of the
# way from there to the pole. Over the second, a section is round or not as the one through the middle is.
_SHRUNK = 0.95
_NEAR_MIDDLE = 0.85
# The largest of many is the one most in error, so the largest is taken of medians over so many neighbouring frames.
_NEIGHBOURS = 5


@dataclass(frozen=True)
class SectionSummary:
    """equivalent_diameter : of the largest section, the diameter of the circle of its area, in the unit of the ellipses

    section_count : how many there were
    elongation_vector : (2,) log of length over width of the sections near the middle, as a vector along twice the angle of their
    long axis, so that errors of round ones average out
    crossed_middle : whether the sections shrank on both sides of the largest
    """

    equivalent_diameter: float
    elongation_vector: Floats
    crossed_middle: bool
    section_count: int

    def width(self, stretch_error: float, stretch_scale: float) -> float:
        """Of the largest section.

        A round section read with an error looks long, and so too narrow: of the squared stretch as much is taken off
        as the errors of its two parts, each of the standard deviation ``stretch_error``, put into it. Outlines are
        drawn too round by ``stretch_scale``.
        """
        stretch = (
            np.sqrt(max(float(self.elongation_vector @ self.elongation_vector) - 2 * stretch_error**2, 0.0))
            / stretch_scale
        )
        return float(self.equivalent_diameter * np.exp(-stretch / 2))


def summarise_sections(ellipses: Floats) -> SectionSummary:
    """Of the outlines (N, 5) of one object in the frames of one track, in their order."""
    breadths = _smoothed(2 * np.sqrt(ellipses[:, 2] * ellipses[:, 3]))
    place = int(np.argmax(breadths))
    largest = float(breadths[place])
    smallest_before, smallest_after = breadths[: place + 1].min(), breadths[place:].min()
    near = breadths >= _NEAR_MIDDLE * largest
    long = np.log(ellipses[near, 2] / ellipses[near, 3])
    angle = np.deg2rad(2 * ellipses[near, 4])
    return SectionSummary(
        equivalent_diameter=largest,
        elongation_vector=np.array([(long * np.cos(angle)).mean(), (long * np.sin(angle)).mean()]),
        crossed_middle=bool(max(smallest_before, smallest_after) < _SHRUNK * largest),
        section_count=len(ellipses),
    )


def _smoothed(values: Floats) -> Floats:
    """(N,) medians over neighbours, fewer of them at the ends."""
    reach = _NEIGHBOURS // 2
    padded = np.pad(values, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _NEIGHBOURS)
    return np.asarray(np.nanmedian(windows, axis=1))
