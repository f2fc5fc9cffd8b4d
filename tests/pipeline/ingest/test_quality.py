from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.quality import FrameQuality, judge_frame
from pipeline.ingest.sector import Sector
from pipeline.settings import load_settings

HEIGHT, WIDTH = 120, 160


@pytest.fixture
def sector() -> Sector:
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.bool_)
    mask[20:100, 30:130] = True
    return Sector("rectangle", mask, (30, 20, 130, 100))


def speckle(seed: int, level: float = 60.0) -> NDArray[np.uint8]:
    noise = np.random.default_rng(seed).rayleigh(level, (HEIGHT, WIDTH))
    return np.clip(noise, 0, 255).astype(np.uint8)


def judged(grey: NDArray[np.uint8], sector: Sector, previous: NDArray[np.uint8] | None = None) -> FrameQuality:
    return judge_frame(grey, sector, previous, load_settings().ingest)


def test_an_ordinary_frame_is_usable(sector: Sector) -> None:
    assert judged(speckle(1), sector, speckle(2)) == FrameQuality(True, None, False)


def test_dark_sector_in_a_bright_screen_is_too_dark(sector: Sector) -> None:
    grey = np.full((HEIGHT, WIDTH), 250, np.uint8)
    grey[sector.mask] = 3
    assert judged(grey, sector) == FrameQuality(False, "too dark", False)


def test_white_sector_is_saturated(sector: Sector) -> None:
    grey = speckle(1)
    grey[20:80] = 255
    assert judged(grey, sector) == FrameQuality(False, "saturated", False)


def test_frozen_picture_is_repeated_though_a_clock_runs_outside(sector: Sector) -> None:
    before, now = speckle(1), speckle(1)
    now[:15] = 255
    assert judged(now, sector, before) == FrameQuality(True, None, True)


def test_any_true_motion_is_no_repeat(sector: Sector) -> None:
    assert not judged(np.roll(speckle(1), 1, axis=0), sector, speckle(1)).repeated


def test_empty_sector_is_too_dark(sector: Sector) -> None:
    nothing = Sector("rectangle", np.zeros_like(sector.mask), (0, 0, 0, 0))
    assert judged(speckle(1), nothing, speckle(1)) == FrameQuality(False, "too dark", False)
