"""Thumbnails of a fan, made by halving, compared with means over whole cells computed one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pipeline.ingest.sector.fan import Fan
from pipeline.track import thumbnails as thumbnail_module
from pipeline.track.thumbnails import Thumbnails, ThumbnailStack

HEIGHT, WIDTH = 480, 640
MASK = Fan((320.0, -60.0), 100.0, 500.0, -0.6, 0.6).mask(HEIGHT, WIDTH)
ROWS, COLUMNS = np.flatnonzero(MASK.any(axis=1)), np.flatnonzero(MASK.any(axis=0))
BOX = int(COLUMNS[0]), int(ROWS[0]), int(COLUMNS[-1]) + 1, int(ROWS[-1]) + 1
NOTHING = np.zeros((0, 5)), np.zeros(0)
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


def stack_of(*pictures: Grey) -> ThumbnailStack:
    thumbnails = Thumbnails(MASK, BOX)
    for frame, grey in enumerate(pictures):
        thumbnails.add_frame(frame, grey, *NOTHING)
    return thumbnails.finish()


def slow_thumbnail(grey: Grey) -> NDArray[np.float64]:
    """(32, 32) the same from the mean of each of 32 by 32 cells over its pixels in the sector."""
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
    return np.asarray(difference / np.sqrt(local_mean(difference**2) + 4.5**2))


def correlation(one: NDArray[np.floating], other: NDArray[np.floating]) -> float:
    return float((one * other).sum() / np.sqrt((one**2).sum() * (other**2).sum()))


@pytest.mark.parametrize("position", [0.0, 20.0, 60.0, 120.0])
def test_thumbnails_agree_with_the_slow_version(position: float) -> None:
    grey = tissue(position, int(position))
    fast = stack_of(grey).pictures[0] * (3.0 / 127)  # three contrasts fill the range of a byte
    slow = slow_thumbnail(grey)
    assert correlation(fast, slow.clip(-3, 3)) > 0.93  # halving leaves out pixels on the sector's edge
    assert fast.std() == pytest.approx(slow.std(), rel=0.05)


def test_text_next_to_the_sector_has_no_effect() -> None:
    grey = tissue(0.0)
    plain, with_text = (stack_of(np.where(MASK, grey, np.uint8(level))).pictures for level in (0, 255))
    np.testing.assert_array_equal(plain, with_text)


def test_brightness_has_no_effect() -> None:
    grey = tissue(0.0)
    one, darker = stack_of(grey, (grey * 0.7).astype(np.uint8)).pictures.astype(float)
    assert correlation(one, darker) > 0.97
    elsewhere = stack_of(tissue(60.0, 2)).pictures[0].astype(float)
    assert correlation(one, elsewhere) < 0.7


def test_spots_lie_where_the_outlines_are_and_are_as_bright_as_the_score() -> None:
    # Neither outline leaves the sector; the third score is too low to count.
    ellipses = np.array([[320.0, 200, 60, 30, 0], [260.0, 330, 40, 25, 90], [380.0, 330, 40, 40, 0]])
    thumbnails = Thumbnails(MASK, BOX)
    thumbnails.add_frame(0, tissue(0.0), ellipses, np.array([0.9, 0.5, 0.2]))
    (spots,) = thumbnails.finish().outlines / 255
    x0, y0, x1, y1 = BOX
    x, y = x0 + (np.arange(32) + 0.5) * (x1 - x0) / 32, y0 + (np.arange(32) + 0.5) * (y1 - y0) / 32

    def at(place_x: float, place_y: float) -> float:
        return float(spots[np.abs(y - place_y).argmin(), np.abs(x - place_x).argmin()])

    assert at(320, 200) == pytest.approx(0.9, abs=0.05)
    assert at(260, 330) == pytest.approx(0.5, abs=0.05)
    assert at(380, 330) < 0.1
    # On the outline a spot is half as bright, along the major axis twice as far away as along the minor one.
    for place in ((380, 200), (320, 230)):
        assert at(*place) == pytest.approx(0.45, abs=0.15)
    assert at(320, 260) < 0.1
    assert not spots[~thumbnails.finish().inside].any()


def test_memory_is_bounded_and_frames_stay_evenly_spaced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(thumbnail_module, "_MODEL", replace(thumbnail_module._MODEL, maximum_kept=20))
    thumbnails = Thumbnails(np.ones((40, 40), bool), (0, 0, 40, 40))
    for number in range(500):
        thumbnails.add_frame(3 * number, np.full((40, 40), number % 250, np.uint8), *NOTHING)
        kept = thumbnails.finish()
        assert len(kept.frames) == len(kept.pictures) == len(kept.outlines) <= 20
        assert min(number + 1, 10) <= len(kept.frames)
    assert kept.frames[0] == 0
    assert len(set(np.diff(kept.frames))) == 1


@pytest.mark.parametrize("side", [20, 40, 97])
def test_small_sectors_have_thumbnails_too(side: int) -> None:
    thumbnails = Thumbnails(np.ones((side, side), np.bool_), (0, 0, side, side))
    for frame in range(2):
        grey = np.random.default_rng(frame).integers(0, 255, (side, side)).astype(np.uint8)
        thumbnails.add_frame(frame, grey, *NOTHING)
    one, other = thumbnails.finish().pictures.astype(float)
    assert one.std() > 5
    assert abs(correlation(one, other)) < 0.5
