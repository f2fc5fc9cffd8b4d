"""The sector inside the region that a DICOM file states."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.sector import region_sector
from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.sector import Sector
from tests.pipeline.ingest.sector_screens import mask_iou, require_sector

HEIGHT, WIDTH = 480, 640
FAN = Fan((320.0, -20.0), 60.0, 420.0, math.radians(-32), math.radians(32))
BOX = (80, 20, 560, 410)


def speckle(inside: NDArray[np.bool_], seed: int = 2) -> NDArray[np.uint8]:
    rng = np.random.default_rng(seed)
    echoes = cv2.GaussianBlur(rng.rayleigh(60.0, inside.shape).astype(np.float32), (0, 0), 1.2) + 10
    return np.where(inside, np.clip(echoes, 0, 255), 0).astype(np.uint8)


def find_sector_with_regions(
    frames: list[NDArray[np.uint8]], calibration: RegionCalibration
) -> tuple[Sector, RegionCalibration]:
    """The sector of frames or boxes that must have one, and the calibration that is believed."""
    sector, believed = region_sector.find_sector_with_regions(frames, calibration)
    assert sector is not None
    return sector, believed


def screen() -> NDArray[np.uint8]:
    return speckle(FAN.mask(HEIGHT, WIDTH))


def test_without_a_region_the_whole_screen_is_searched() -> None:
    sector, calibration = find_sector_with_regions([screen()], RegionCalibration(fault="no scanner makes that"))
    assert sector.kind == "fan"
    assert calibration.fault == "no scanner makes that"


def test_coordinates_are_those_of_the_screen() -> None:
    sector, calibration = find_sector_with_regions([screen()], RegionCalibration((BOX,), (0.3, 0.3)))
    assert calibration.mm_per_px == 0.3
    assert sector.kind == "fan"
    assert sector.apex_xy == pytest.approx(FAN.apex_xy, abs=8)
    assert sector.inner_radius_px == pytest.approx(FAN.inner_radius_px, abs=8)
    assert mask_iou(sector.mask, FAN.mask(HEIGHT, WIDTH)) > 0.95
    rows, columns = np.nonzero(sector.mask)
    assert sector.box == (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1)


def test_names_outside_the_region_never_show_even_without_an_outline() -> None:
    """The echoes fill the region, and a burnt-in name above it is as bright and as textured."""
    picture = speckle(np.ones((HEIGHT, WIDTH), np.bool_))
    sector, _ = find_sector_with_regions([picture], RegionCalibration(((0, 100, WIDTH, HEIGHT),), (0.3, 0.3)))
    assert not sector.mask[:100].any()
    assert sector.kind == "rectangle"


def test_without_echoes_the_region_is_the_sector() -> None:
    sector, _ = find_sector_with_regions([np.zeros((HEIGHT, WIDTH), np.uint8)], RegionCalibration((BOX,), (0.3, 0.3)))
    assert (sector.kind, sector.box) == ("rectangle", BOX)
    assert np.count_nonzero(sector.mask) == 480 * 390


@pytest.mark.parametrize("lit", [0, 320])
def test_of_two_regions_the_one_with_the_fan_is_taken(lit: int) -> None:
    picture = np.zeros((HEIGHT, WIDTH), np.uint8)
    half = speckle(Fan((160.0, -20.0), 60.0, 300.0, -0.5, 0.5).mask(HEIGHT, WIDTH // 2))
    picture[:, lit : lit + 320] = half
    regions = RegionCalibration(((0, 0, 320, 480), (320, 0, 640, 480)), (0.3, 0.3))
    sector, calibration = find_sector_with_regions([picture], regions)
    assert calibration.mm_per_px == 0.3
    assert sector.kind == "fan"
    assert lit <= sector.box[0] < sector.box[2] <= lit + 320


@pytest.mark.parametrize("factor", [1.6, 2.0])
def test_a_picture_made_larger_under_its_old_header_has_no_scale(factor: float) -> None:
    large = cv2.resize(screen(), None, fx=factor, fy=factor)
    sector, calibration = find_sector_with_regions([np.asarray(large, np.uint8)], RegionCalibration((BOX,), (0.3, 0.3)))
    assert calibration.mm_per_px is None
    assert calibration.boxes == ()
    assert "do not lie in the region" in str(calibration.fault)
    assert sector.depth_range_px == pytest.approx(factor * 360, rel=0.05)


def test_a_bar_of_names_above_a_small_fan_does_not_disprove_the_region() -> None:
    """The bar is wider than the fan, more textured, and grey; what is found on it lies outside the region."""
    small = Fan((320.0, -60.0), 150.0, 240.0, math.radians(-25), math.radians(25))
    picture = speckle(small.mask(HEIGHT, WIDTH))
    rng = np.random.default_rng(5)
    picture[:72] = 60 + 40 * (cv2.GaussianBlur(rng.normal(size=(72, WIDTH)), (0, 0), 3) > 0.02)
    assert require_sector([picture]).mask[:72].any()
    sector, calibration = find_sector_with_regions([picture], RegionCalibration(((100, 76, 560, 400),), (0.3, 0.3)))
    assert (calibration.mm_per_px, calibration.fault) == (0.3, None)
    assert mask_iou(sector.mask, small.mask(HEIGHT, WIDTH)) > 0.9
