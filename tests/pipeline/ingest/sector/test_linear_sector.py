"""Parallelograms as pixels and in other sizes, against the slow rule in continuous coordinates."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.sector.linear_sector import Parallelogram, fit_coarse_parallelogram, refine_parallelogram
from pipeline.ingest.sector.sector_evidence import SectorEvidence

HEIGHT, WIDTH = 24, 36
SHAPES = [
    Parallelogram(10.0, 4.0, 22.0, 19.0, 0.0),
    Parallelogram(8.3, 3.3, 19.7, 20.2, 0.35),
    Parallelogram(17.0, 5.0, 31.0, 21.0, -0.45),
]


def slow_mask(shape: Parallelogram, factor: int) -> NDArray[np.bool_]:
    """Which pixel centres of a picture ``factor`` times as large lie inside ``shape``.

    Every centre is taken back to the small picture first. Pixel centres are at whole numbers, so a box that begins at
    ``left`` has its border half a pixel to the left of that centre.
    """
    mask = np.zeros((factor * HEIGHT, factor * WIDTH), np.bool_)
    for row, column in np.ndindex(mask.shape):
        x, y = (column + 0.5) / factor - 0.5, (row + 0.5) / factor - 0.5
        on_top_row = x - shape.steering * y
        inside = shape.left - 0.5 < on_top_row < shape.right - 0.5
        mask[row, column] = inside and shape.top - 0.5 < y < shape.bottom - 0.5
    return mask


def test_an_upright_mask_is_the_half_open_box() -> None:
    expected = np.zeros((HEIGHT, WIDTH), np.bool_)
    expected[4:19, 10:22] = True
    np.testing.assert_array_equal(SHAPES[0].mask(HEIGHT, WIDTH), expected)


@pytest.mark.parametrize("factor", [1, 2, 5])
@pytest.mark.parametrize("shape", SHAPES, ids=["upright", "to the right", "to the left"])
def test_a_scaled_shape_covers_the_same_part_of_the_picture(shape: Parallelogram, factor: int) -> None:
    scaled = shape.scaled(factor, factor).mask(factor * HEIGHT, factor * WIDTH)
    # A centre on the very border may fall to either side by rounding.
    assert np.count_nonzero(scaled != slow_mask(shape, factor)) <= 2


@pytest.mark.parametrize("steering", [-0.4, 0.0, 0.3])
def test_a_drawn_parallelogram_is_found_to_the_pixel(steering: float) -> None:
    """The sides of the picture are whole multiples of the coarse grid's cells, so nothing is rounded on the way."""
    drawn = Parallelogram(60.0 - 50 * steering, 12.0, 110.0 - 50 * steering, 95.0, steering)
    echo = drawn.mask(120, 160)
    evidence = SectorEvidence(echo.astype(np.float32), np.zeros(echo.shape, np.float32), (~echo).astype(np.float32))
    coarse = fit_coarse_parallelogram(evidence, allow_steering=True)
    found = refine_parallelogram(evidence, coarse.shape).shape
    assert dataclasses.astuple(found) == pytest.approx(dataclasses.astuple(drawn), abs=1e-6)
