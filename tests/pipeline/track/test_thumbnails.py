"""Thumbnails of a fan, made by halving, compared with means over whole cells computed one by one."""

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


def tissue(position: float, seed: int = 1) -> Grey:
    """Speckle of 3 px over tissue that is completely different a hundred px further on."""
    grain = np.random.default_rng(seed).rayleigh(1.0, (HEIGHT // 3, WIDTH // 3)).repeat(3, 0).repeat(3, 1)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    brightness = 1 + 0.4 * np.sin((x + position) / 40) * np.cos((y - 0.5 * position) / 30)
    grey = np.zeros((HEIGHT, WIDTH), np.uint8)
    rows, columns = grain.shape
    grey[:rows, :columns] = np.clip(60 * grain * brightness[:rows, :columns], 0, 255)
    return np.where(MASK, grey, np.uint8(0))


def correlation_of(*pictures: Grey) -> NDArray[np.float64]:
    thumbnails = Thumbnails(MASK, BOX)
    for frame, grey in enumerate(pictures):
        thumbnails.add_frame(frame, grey)
    return thumbnails.correlation()


def slow_thumbnail(grey: Grey) -> NDArray[np.float64]:
    """The same from the mean of each of 32 by 32 cells over its pixels in the sector."""
    x0, y0, x1, y1 = BOX
    y, x = (((np.arange(length) + 0.5) * 32 / length).astype(int) for length in (y1 - y0, x1 - x0))
    cell = (y[:, None] * 32 + x).ravel()
    in_sector = MASK[y0:y1, x0:x1].ravel()
    count, total = (np.bincount(cell, weights, 1024).reshape(32, 32) for weights in (in_sector, None))
    inside = count > 0.5 * total
    means = np.bincount(cell, grey[y0:y1, x0:x1].ravel() * in_sector, 1024).reshape(32, 32) / np.maximum(count, 1)

    def local_mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        share = gaussian_filter(inside.astype(float), 6.0, mode="mirror")
        return np.asarray(gaussian_filter(values * inside, 6.0, mode="mirror") / share)

    smooth = gaussian_filter(means * inside, 1.0, mode="mirror")
    difference = np.where(inside, smooth - local_mean(smooth), 0)
    return np.asarray((difference / np.sqrt(local_mean(difference**2) + 4.5**2))[inside])


def test_correlations_agree_with_those_of_the_slow_version() -> None:
    pictures = [tissue(position, seed) for seed, position in enumerate((0.0, 20.0, 60.0, 120.0, 0.0))]
    thumbnails = np.array([slow_thumbnail(grey) for grey in pictures])
    thumbnails /= np.linalg.norm(thumbnails, axis=1, keepdims=True)
    expected = thumbnails @ thumbnails.T
    assert expected.min() < 0.3
    assert correlation_of(*pictures) == pytest.approx(expected, abs=0.05)


def test_text_next_to_the_sector_has_no_effect() -> None:
    one, other = tissue(0.0), tissue(60.0, 2)
    with_text = [np.where(MASK, grey, np.uint8(level)) for grey, level in ((one, 255), (other, 90))]
    np.testing.assert_array_equal(correlation_of(*with_text), correlation_of(one, other))


def test_brightness_has_no_effect() -> None:
    grey = tissue(0.0)
    assert correlation_of(grey, (grey * 0.7).astype(np.uint8))[0, 1] > 0.97


@pytest.mark.parametrize("side", [20, 40, 97])
def test_small_sectors_have_thumbnails_too(side: int) -> None:
    thumbnails = Thumbnails(np.ones((side, side), np.bool_), (0, 0, side, side))
    for frame in range(2):
        thumbnails.add_frame(frame, np.random.default_rng(frame).integers(0, 255, (side, side)).astype(np.uint8))
    assert abs(thumbnails.correlation()[0, 1]) < 0.5
