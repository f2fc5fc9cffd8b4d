from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.quality.beam_map import BEAM_COUNT, DEPTH_COUNT, BeamMap
from pipeline.ingest.sector.sector import Sector

HEIGHT, WIDTH = 480, 640


def rectangle(steering: float = 0.0) -> Sector:
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    along = x - steering * y
    mask = (along >= 150) & (along < 400) & (y >= 60) & (y < 420)
    rows, columns = np.nonzero(mask)
    box = int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1
    return Sector("rectangle", mask, box, steering=steering)


def fan(upside_down: bool = False) -> Sector:
    apex = 320.0, 500.0 if upside_down else -20.0
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    radius, angle = np.hypot(x - apex[0], y - apex[1]), np.arctan2(x - apex[0], abs(y - apex[1]))
    mask = (radius >= 60) & (radius < 400) & (abs(angle) < 0.6)
    rows, columns = np.nonzero(mask)
    box = int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1
    return Sector("fan", mask, box, apex, 60.0, 400.0, upside_down)


def slow_map(sector: Sector, grey: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean level and share of the sector of each cell, computed pixel by pixel."""
    sums, counts = np.zeros((BEAM_COUNT, DEPTH_COUNT)), np.zeros((BEAM_COUNT, DEPTH_COUNT))
    rows, columns = np.nonzero(sector.mask)
    if sector.apex_xy is None:
        across = columns - sector.steering * rows
    else:
        across = np.arctan2(columns - sector.apex_xy[0], abs(rows - sector.apex_xy[1]))
    depth_px = sector.depth_px(np.stack([columns, rows], axis=1).astype(float))
    beam = np.minimum((across - across.min()) / np.ptp(across) * BEAM_COUNT, BEAM_COUNT - 1).astype(int)
    depth = np.minimum(depth_px / sector.depth_range_px * DEPTH_COUNT, DEPTH_COUNT - 1).astype(int)
    for cell_beam, cell_depth, level in zip(beam, depth, grey[sector.mask], strict=True):
        sums[cell_beam, cell_depth] += level
        counts[cell_beam, cell_depth] += 1
    return sums / np.maximum(counts, 1), counts / counts.sum()


@pytest.mark.parametrize(
    "sector", [rectangle(), rectangle(0.3), fan(), fan(True)], ids=["rectangle", "steered", "fan", "upside down"]
)
def test_a_few_pixels_give_the_map_of_all_pixels(sector: Sector) -> None:
    noise = np.random.default_rng(4).normal(0, 60, (HEIGHT, WIDTH))
    grey = np.clip(110 + 12 * cv2.GaussianBlur(noise, (0, 0), 12), 0, 255).astype(np.uint8)
    expected, shares = slow_map(sector, grey)
    beams = BeamMap(sector)
    levels = beams.mean_levels(beams.sample(grey))
    assert abs(levels - expected).mean() < 1.5
    assert np.quantile(abs(levels - expected), 0.99) < 8
    np.testing.assert_allclose(beams.area_shares.reshape(BEAM_COUNT, DEPTH_COUNT), shares, atol=4e-4)
    assert beams.area_shares.sum() == pytest.approx(1.0, abs=1e-5)


def test_cells_beyond_the_picture_repeat_the_end_of_their_beam() -> None:
    """A fan with its corners cropped: its outer beams end early, which is not a loss of contact."""
    cropped = fan()
    mask = cropped.mask.copy()
    mask[:, :200] = False
    # Each row has its own level, so that each depth has one; nothing outside the sector may be read.
    grey = np.where(mask, 40 + np.arange(HEIGHT)[:, None] // 3, 0).astype(np.uint8)
    beams = BeamMap(replace(cropped, mask=mask))
    levels, shares = beams.mean_levels(beams.sample(grey)).ravel(), beams.area_shares
    assert (shares == 0).any()
    assert levels.min() >= 40
    filled = int(np.flatnonzero(shares)[0])
    for cell in range(filled, len(shares)):
        filled = cell if shares[cell] > 0 else filled
        assert levels[cell] == levels[filled]


def test_a_sector_of_one_pixel_has_a_map() -> None:
    mask = np.zeros((64, 64), np.bool_)
    mask[5, 6] = True
    beams = BeamMap(Sector("rectangle", mask, (6, 5, 7, 6)))
    grey = np.arange(4096).reshape(64, 64).astype(np.uint8)
    np.testing.assert_array_equal(beams.mean_levels(beams.sample(grey)), grey[5, 6])
