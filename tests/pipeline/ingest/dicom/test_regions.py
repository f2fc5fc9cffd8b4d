"""The scale from the Sequence of Ultrasound Regions (PS3.3 section C.8.5.5)."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pydicom.dataset import Dataset

from pipeline.ingest.dicom.regions import RegionCalibration, read_region_calibration
from tests.pipeline.ingest.dicom.dicom_files import region_item

ROWS, COLUMNS = 480, 640
FAN = (84, 31, 595, 414)  # first and last pixel inside
DELTA_CM = 0.05


def calibration_of(*regions: Dataset, rows: int = ROWS, columns: int = COLUMNS, **elements: Any) -> RegionCalibration:
    dataset = Dataset()
    dataset.SequenceOfUltrasoundRegions = list(regions)
    for keyword, value in elements.items():
        setattr(dataset, keyword, value)
    return read_region_calibration(dataset, rows, columns)


def fault_of(*regions: Dataset, **elements: Any) -> str:
    calibration = calibration_of(*regions, **elements)
    assert calibration.mm_per_px_xy is None
    assert calibration.fault is not None
    return calibration.fault


def test_a_file_without_regions_has_no_fault() -> None:
    assert read_region_calibration(Dataset(), ROWS, COLUMNS) == RegionCalibration()
    assert calibration_of() == RegionCalibration()


def test_a_pixel_of_one_centimetre_is_ten_millimetres() -> None:
    """C.8.5.5.1.15: unit 3 is the centimetre. The second corner of the box is its last pixel."""
    calibration = calibration_of(region_item(FAN, DELTA_CM))
    assert calibration.mm_per_px_xy == pytest.approx((0.5, 0.5))
    assert calibration.mm_per_px == pytest.approx(0.5)
    assert calibration.boxes == ((84, 31, 596, 415),)


def test_pixels_that_are_not_square_keep_both_sides() -> None:
    assert calibration_of(region_item(FAN, (0.05, 0.025))).mm_per_px_xy == pytest.approx((0.5, 0.25))


def test_sides_that_differ_by_rounding_are_equal() -> None:
    across, down = calibration_of(region_item(FAN, (0.05, 0.05004))).mm_per_px_xy or (0.0, 1.0)
    assert across == down == pytest.approx(0.5002)


@pytest.mark.parametrize("unit", [0, 1, 4, 5, 7])
def test_other_units_give_no_scale(unit: int) -> None:
    """C.8.5.5.1.15: none, per cent, seconds, hertz, centimetres per second."""
    assert "not measured in centimetres" in fault_of(region_item(FAN, DELTA_CM, PhysicalUnitsXDirection=unit))
    calibration = calibration_of(region_item(FAN, DELTA_CM, PhysicalUnitsYDirection=unit))
    assert calibration.mm_per_px is None
    assert calibration.boxes == ((84, 31, 596, 415),)


@pytest.mark.parametrize(("form", "kind"), [(4, 10), (5, 13), (0, 13), (2, 1), (3, 3), (1, 2)], ids=str)
def test_traces_bars_and_flow_are_never_used(form: int, kind: int) -> None:
    """C.8.5.5.1.1 and C.8.5.5.1.2: ECG trace, graphics, colour bar, M-mode, spectral Doppler, colour flow."""
    other = region_item((10, 420, 630, 470), 0.011, RegionSpatialFormat=form, RegionDataType=kind)
    assert "none of the regions" in fault_of(other)
    assert calibration_of(other, region_item(FAN, DELTA_CM)).mm_per_px == pytest.approx(0.5)


def test_a_picture_made_smaller_under_its_old_header() -> None:
    assert "reaches to column 596, but the picture has 320" in fault_of(
        region_item(FAN, DELTA_CM), rows=240, columns=320
    )
    assert calibration_of(region_item(FAN, DELTA_CM), rows=240, columns=320).boxes == ()


def test_one_region_that_does_not_fit_shows_that_the_picture_was_made_smaller() -> None:
    left, right = region_item((0, 20, 310, 220), DELTA_CM), region_item((320, 20, 630, 220), DELTA_CM)
    assert "reaches to column 631" in fault_of(left, right, rows=240, columns=320)


def test_a_picture_cut_at_the_bottom_keeps_its_scale() -> None:
    calibration = calibration_of(region_item(FAN, DELTA_CM), rows=350)
    assert calibration.mm_per_px == pytest.approx(0.5)
    assert calibration.boxes == ((84, 31, 596, 350),)


def test_a_picture_without_most_of_the_rows_has_no_scale() -> None:
    assert "reaches to row 415, but the picture has 200" in fault_of(region_item(FAN, DELTA_CM), rows=200)


def test_a_box_that_ends_one_pixel_past_the_edge() -> None:
    calibration = calibration_of(region_item((120, 60, COLUMNS, ROWS), DELTA_CM))
    assert calibration.mm_per_px == pytest.approx(0.5)
    assert calibration.boxes == ((120, 60, COLUMNS, ROWS),)
    assert calibration_of(region_item((120, 60, COLUMNS + 1, 400), DELTA_CM)).mm_per_px is None


def test_of_two_regions_of_tissue_the_larger_comes_first() -> None:
    small, large = region_item((0, 20, 299, 400), DELTA_CM), region_item((300, 20, 639, 400), DELTA_CM)
    calibration = calibration_of(small, large)
    assert calibration.boxes == ((300, 20, 640, 401), (0, 20, 300, 401))
    assert calibration.mm_per_px == pytest.approx(0.5)


def test_two_regions_of_tissue_with_different_scales() -> None:
    small, large = region_item((0, 20, 299, 400), 0.03), region_item((300, 20, 639, 400), DELTA_CM)
    assert "different scales" in fault_of(small, large)


def test_a_region_of_low_priority_is_ignored() -> None:
    """C.8.5.5.1.3: bit 0 of the flags."""
    low = region_item((0, 0, 639, 479), 0.03, RegionFlags=1)
    calibration = calibration_of(low, region_item(FAN, DELTA_CM, RegionFlags=2))
    assert calibration.boxes == ((84, 31, 596, 415),)
    assert calibration.mm_per_px == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("delta_cm", "why"),
    [
        (0.0, "no scanner makes"),
        (-0.05, "no scanner makes"),
        (math.nan, "no scanner makes"),
        (math.inf, "no scanner makes"),
        (5e-5, "no scanner makes"),
        (0.6, "no scanner makes"),
        (0.3, "1.15e+03 mm deep, which no scanner shows"),
        (0.0008, "3.07 mm deep, which no scanner shows"),
        ((0.25, 0.05), "far from square"),
    ],
    ids=str,
)
def test_an_impossible_scale_is_refused(delta_cm: float, why: str) -> None:
    assert why in fault_of(region_item(FAN, delta_cm))


def test_pixel_spacing_that_contradicts_the_regions() -> None:
    assert "contradicts itself: 0.3 x 0.3 mm" in fault_of(region_item(FAN, DELTA_CM), PixelSpacing=[0.3, 0.3])
    assert calibration_of(region_item(FAN, DELTA_CM), PixelSpacing=[0.5, 0.5]).mm_per_px == pytest.approx(0.5)
    # Pixel Spacing gives the vertical value first (10.7.1.3).
    assert calibration_of(region_item(FAN, (0.05, 0.025)), PixelSpacing=[0.25, 0.5]).mm_per_px == pytest.approx(0.25)


@pytest.mark.parametrize(
    "box", [(84, 31, 84, 31), (84, 31, 146, 414), (300, 31, 200, 414), (84, 300, 595, 200)], ids=str
)
def test_boxes_too_small_for_a_picture(box: tuple[int, int, int, int]) -> None:
    assert "region of tissue in its header has" in fault_of(region_item(box, DELTA_CM))


def test_a_box_outside_the_picture() -> None:
    assert "reaches to row" in fault_of(region_item((84, 500, 595, 900), DELTA_CM))


def test_incomplete_and_endless_regions() -> None:
    broken = region_item(FAN, DELTA_CM)
    del broken.RegionLocationMaxX1
    assert "incomplete" in fault_of(broken)
    assert "lists 65 regions" in fault_of(*[region_item(FAN, DELTA_CM)] * 65)
