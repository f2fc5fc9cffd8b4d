"""Fans as pixels, against the slow rule, and the scores of dark and lit cells."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.sector_evidence import HIGH_COST, LINE_WEIGHT, cell_fit_scores


@pytest.mark.parametrize(
    "fan",
    [
        Fan((60.0, -10.0), 20.0, 90.0, -0.6, 0.6),
        Fan((55.5, 12.3), 3.0, 70.0, -1.35, 1.3),
        Fan((30.0, -80.0), 90.0, 140.0, -0.1, 0.3),
    ],
)
def test_a_pixel_is_inside_between_both_radii_and_both_sides(fan: Fan) -> None:
    y, x = np.mgrid[:80, :120]
    radius = np.hypot(x - fan.apex_xy[0], y - fan.apex_xy[1])
    angle = np.arctan2(x - fan.apex_xy[0], y - fan.apex_xy[1])
    inside = (radius >= fan.inner_radius_px) & (radius <= fan.outer_radius_px)
    expected = inside & (angle >= fan.left_rad) & (angle <= fan.right_rad)
    # Single precision may differ on the border itself.
    assert np.count_nonzero(fan.mask(80, 120) != expected) <= 2
    assert expected.any()


def test_the_cost_of_darkness_depends_on_its_place_along_the_beam() -> None:
    """Four beams of five depths: lit, in shadow below, dark above, dark throughout. The last depth is dark."""
    echo = np.array([[1, 1, 0, 0], [1, 1, 0, 0], [1, 0, 1, 0], [1, 0, 1, 0], [0, 0, 0, 0]], np.float64)
    dark = 1 - echo
    above, below, no_echo = -HIGH_COST.above_first_echo, -HIGH_COST.below_first_echo, -HIGH_COST.without_echo
    expected = [
        [1, 1, above, no_echo],
        [1, 1, above, no_echo],
        [1, below, 1, no_echo],
        [1, below, 1, no_echo],
        [no_echo, no_echo, no_echo, no_echo],
    ]
    np.testing.assert_allclose(cell_fit_scores(np.ones((5, 4)), echo, dark, dark_penalty=HIGH_COST), expected)


def test_a_line_counts_only_on_beams_with_echoes() -> None:
    echo = np.array([[1.0, 0.0], [0.0, 0.0]])
    line = np.array([[0.0, 1.0], [1.0, 0.0]])
    scores = cell_fit_scores(np.ones((2, 2)), echo, np.zeros((2, 2)), line, dark_penalty=HIGH_COST)
    np.testing.assert_allclose(scores, [[1.0, 0.0], [LINE_WEIGHT, 0.0]])
