"""Thumbnails of a fan, made by halving, held against means over whole cells taken one by one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pipeline.ingest.sector.fan import Fan
from pipeline.track.thumbnails import Thumbnails

HEIGHT, WIDTH = 480, 640
MASK = Fan((320.0, -60.0), 100.0, 500.0, -0.6, 0.6).mask(HEIGHT, WIDTH)
ROWS, COLUMNS = np.flatnonzero(MASK.any(axis=1)), np.flatnonzero(MASK.any(axis=0))
BOX = int(COLUMNS[0]), int(ROWS[0]), int(COLUMNS[-1]) + 1, int(ROWS[-1]) + 1
Grey = NDArray[np.uint8]


def tissue(at: float, seed: int = 1) -> Grey:
    """Speckle of 3 px over tissue that is another one a hundred px further on."""
    grain = np.random.default_rng(seed).rayleigh(1.0, (HEIGHT // 3, WIDTH // 3)).repeat(3, 0).repeat(3, 1)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    even = 1 + 0.4 * np.sin((x + at) / 40) * np.cos((y - 0.5 * at) / 30)
    grey = np.zeros((HEIGHT, WIDTH), np.uint8)
    grey[: grain.shape[0], : grain.shape[1]] = np.clip(60 * grain * even[: grain.shape[0], : grain.shape[1]], 0, 255)
    return np.where(MASK, grey, np.uint8(0))


def shown(*pictures: Grey) -> NDArray[np.float64]:
    thumbnails = Thumbnails(MASK, BOX)
    for frame, grey in enumerate(pictures):
        thumbnails.add_frame(frame, grey)
    return thumbnails.correlation()


def slow(grey: Grey) -> NDArray[np.float64]:
    """The same by the mean of each pixel's cell, of 32 by 32, over its pixels in the sector."""
    x0, y0, x1, y1 = BOX
    y, x = (((np.arange(length) + 0.5) * 32 / length).astype(int) for length in (y1 - y0, x1 - x0))
    cell = (y[:, None] * 32 + x).ravel()
    held = MASK[y0:y1, x0:x1].ravel()
    count, whole = (np.bincount(cell, weights, 1024).reshape(32, 32) for weights in (held, None))
    inside = count > 0.5 * whole
    means = np.bincount(cell, grey[y0:y1, x0:x1].ravel() * held, 1024).reshape(32, 32) / np.maximum(count, 1)

    def around(values: NDArray[np.float64]) -> NDArray[np.float64]:
        share = gaussian_filter(inside.astype(float), 6.0, mode="mirror")
        return np.asarray(gaussian_filter(values * inside, 6.0, mode="mirror") / share)

    small = gaussian_filter(means * inside, 1.0, mode="mirror")
    small = np.where(inside, small - around(small), 0)
    return np.asarray((small / np.sqrt(around(small**2) + 4.5**2))[inside])


def test_what_looks_alike_by_whole_cells_looks_alike() -> None:
    pictures = [tissue(at, seed) for seed, at in enumerate((0.0, 20.0, 60.0, 120.0, 0.0))]
    thumbnails = np.array([slow(grey) for grey in pictures])
    thumbnails /= np.linalg.norm(thumbnails, axis=1, keepdims=True)
    expected = thumbnails @ thumbnails.T
    assert expected.min() < 0.3
    assert shown(*pictures) == pytest.approx(expected, abs=0.05)


def test_a_name_beside_the_sector_is_not_seen() -> None:
    one, other = tissue(0.0), tissue(60.0, 2)
    named = [np.where(MASK, grey, np.uint8(level)) for grey, level in ((one, 255), (other, 90))]
    np.testing.assert_array_equal(shown(*named), shown(one, other))


def test_brighter_is_the_same_picture() -> None:
    grey = tissue(0.0)
    assert shown(grey, (grey * 0.7).astype(np.uint8))[0, 1] > 0.97


@pytest.mark.parametrize("side", [20, 40, 97])
def test_small_sectors_have_thumbnails_too(side: int) -> None:
    thumbnails = Thumbnails(np.ones((side, side), np.bool_), (0, 0, side, side))
    for frame in range(2):
        thumbnails.add_frame(frame, np.random.default_rng(frame).integers(0, 255, (side, side)).astype(np.uint8))
    assert abs(thumbnails.correlation()[0, 1]) < 0.5
