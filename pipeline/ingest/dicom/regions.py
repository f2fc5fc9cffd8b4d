"""The scale that a DICOM file gives, from its Sequence of Ultrasound Regions (0018,6011), PS3.3 section C.8.5.5.

A region is a box on the screen with a meaning: tissue, colour flow, an ECG strip, a colour bar. Only a box of
tissue with centimetres along both axes tells mm per px, and only while it fits the picture: programs that shrink
pictures are known to leave the boxes as they were.

Coordinates are pixels of the stored picture, x to the right, y down; boxes are half-open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["Box", "RegionCalibration", "read_region_calibration"]

Box = tuple[int, int, int, int]

# PS3.3 C.8.5.5.1.1, C.8.5.5.1.2 and C.8.5.5.1.15.
TWO_DIMENSIONAL, TISSUE, CENTIMETRES = 1, 1, 3
# Bit 0 of the flags, C.8.5.5.1.3: where regions overlap, one of low priority does not hold.
LOW_PRIORITY = 1

# Bounds that hold for any ultrasound picture (common practice, no source): mm per px, and the height of a region.
FINEST_MM_PER_PX, COARSEST_MM_PER_PX = 0.005, 5.0
SHALLOWEST_MM, DEEPEST_MM = 5.0, 500.0
MAX_PIXEL_ASPECT = 4.0  # one side of a pixel over the other
# Deltas that differ by less are the same, written with rounding; so are those of a spacing given twice.
DELTA_TOLERANCE, SPACING_TOLERANCE = 0.002, 0.02
MIN_VISIBLE_SHARE = 0.5  # of a region's height, for a picture cut below to be believed
MIN_SIDE_PX = 64  # as of whole pictures, less holds no anatomy (common practice, no source)
MAX_REGIONS = 64


@dataclass(frozen=True)
class RegionCalibration:
    """What the regions say of the picture.

    boxes : where echoes are, inside the picture, the largest first; none where no region of tissue fits it
    mm_per_px_xy : across and down; None where the scale is unknown
    fault : why regions that are there give no scale; None where they do, or where there is none
    """

    boxes: tuple[Box, ...] = ()
    mm_per_px_xy: tuple[float, float] | None = None
    fault: str | None = None

    @property
    def mm_per_px(self) -> float | None:
        """Of square pixels, which all pictures have once they are read."""
        return None if self.mm_per_px_xy is None else self.mm_per_px_xy[1]


@dataclass(frozen=True)
class _Region:
    """is_tissue : a picture of tissue rather than flow, trace or bar;  has_length : centimetres on both axes"""

    is_tissue: bool
    has_length: bool
    low_priority: bool
    box: Box
    mm_per_px_xy: tuple[float, float]


def read_region_calibration(dataset: Dataset, rows: int, columns: int) -> RegionCalibration:
    """The scale and the place of the echoes in pictures of ``rows`` x ``columns`` pixels.

    Several regions of tissue must have the same scale. Whatever is missing, contradictory or impossible is told as
    the fault, never guessed.
    """
    items = list(dataset.get("SequenceOfUltrasoundRegions") or ())
    if not items:
        return RegionCalibration()
    if len(items) > MAX_REGIONS:
        return RegionCalibration(fault=f"its header lists {len(items)} regions")
    try:
        regions = [_region(item) for item in items]
    except (AttributeError, TypeError, ValueError, OverflowError):
        return RegionCalibration(fault="a region in its header is incomplete or no number")
    tissue = [region for region in regions if region.is_tissue]
    if not tissue:
        return RegionCalibration(fault="none of the regions in its header is a picture of tissue")
    misfit = _misfit(regions, rows, columns)
    if misfit:
        return RegionCalibration(fault=misfit)
    # Those of low priority hold only where there are no others.
    first = [region for region in tissue if not region.low_priority] or tissue
    boxes = sorted((_clipped(region.box, rows, columns) for region in first), key=_area, reverse=True)
    fault = _scale_fault(first) or _contradiction(dataset, first[0].mm_per_px_xy)
    if fault:
        return RegionCalibration(tuple(boxes), fault=fault)
    across, down = first[0].mm_per_px_xy
    if abs(across - down) <= DELTA_TOLERANCE * min(across, down):
        across = down = math.sqrt(across * down)
    return RegionCalibration(tuple(boxes), (across, down))


def _region(item: Dataset) -> _Region:
    box = (
        int(item.RegionLocationMinX0),
        int(item.RegionLocationMinY0),
        # The standard's second corner is the last pixel inside.
        int(item.RegionLocationMaxX1) + 1,
        int(item.RegionLocationMaxY1) + 1,
    )
    units = item.get("PhysicalUnitsXDirection"), item.get("PhysicalUnitsYDirection")
    deltas = float(item.get("PhysicalDeltaX") or 0.0), float(item.get("PhysicalDeltaY") or 0.0)
    return _Region(
        is_tissue=item.get("RegionSpatialFormat") == TWO_DIMENSIONAL and item.get("RegionDataType") == TISSUE,
        has_length=units == (CENTIMETRES, CENTIMETRES),
        low_priority=bool(int(item.get("RegionFlags") or 0) & LOW_PRIORITY),
        box=box,
        mm_per_px_xy=(10.0 * deltas[0], 10.0 * deltas[1]),
    )


def _misfit(regions: list[_Region], rows: int, columns: int) -> str | None:
    """Why the boxes are those of another picture, or None.

    Cut below, a picture keeps its scale and its columns: then no box reaches past its right border, and most of
    the tissue is still there. Otherwise columns were cut off at a side unknown or, more likely, the picture was
    made smaller.
    One pixel more is forgiven: many machines write the first pixel outside for the last inside.
    """
    for region in regions:
        x0, y0, x1, y1 = region.box
        if x0 < 0 or y0 < 0 or min(x1 - x0, y1 - y0) < MIN_SIDE_PX:
            if region.is_tissue:
                return f"the region of tissue in its header has {x1 - x0} x {y1 - y0} pixels"
        elif x1 > columns + 1:
            return (
                f"a region in its header reaches to column {x1}, but the picture has {columns}: "
                "it was made smaller after the header was written"
            )
        elif region.is_tissue and y1 > rows + 1 and rows - y0 < MIN_VISIBLE_SHARE * (y1 - y0):
            return (
                f"the region of tissue in its header reaches to row {y1}, but the picture has {rows}: "
                "it was cut or made smaller after the header was written"
            )
    return None


def _clipped(box: Box, rows: int, columns: int) -> Box:
    return box[0], box[1], min(box[2], columns), min(box[3], rows)


def _area(box: Box) -> int:
    return max(0, box[2] - box[0]) * max(0, box[3] - box[1])


def _scale_fault(tissue: list[_Region]) -> str | None:
    for region in tissue:
        across, down = region.mm_per_px_xy
        depth_mm = down * (region.box[3] - region.box[1])
        if not region.has_length:
            return "the region of tissue in its header is not measured in centimetres"
        if not all(FINEST_MM_PER_PX <= length <= COARSEST_MM_PER_PX for length in (across, down)):
            return f"its header tells of pixels of {across:.3g} x {down:.3g} mm, which no scanner makes"
        if not SHALLOWEST_MM <= depth_mm <= DEEPEST_MM:
            return f"its header tells of a picture {depth_mm:.3g} mm deep, which no scanner shows"
        if max(across, down) > MAX_PIXEL_ASPECT * min(across, down):
            return f"its header tells of pixels of {across:.3g} x {down:.3g} mm, far from square"
        pairs = zip(region.mm_per_px_xy, tissue[0].mm_per_px_xy, strict=True)
        if not all(math.isclose(*pair, rel_tol=DELTA_TOLERANCE) for pair in pairs):
            return "its header has several regions of tissue with different scales"
    return None


def _contradiction(dataset: Dataset, mm_per_px_xy: tuple[float, float]) -> str | None:
    """Why the region's scale is not to be believed for what else the header says, or None."""
    spacing = dataset.get("PixelSpacing")  # mm, down first (PS3.3 10.7.1.3)
    if spacing is None:
        return None
    try:
        down, across = (float(value) for value in spacing)
    except (TypeError, ValueError):
        return None
    pairs = zip((across, down), mm_per_px_xy, strict=True)
    if all(math.isclose(one, other, rel_tol=SPACING_TOLERANCE) for one, other in pairs):
        return None
    return (
        f"its header contradicts itself: {across:.3g} x {down:.3g} mm to a pixel in one place, "
        f"{mm_per_px_xy[0]:.3g} x {mm_per_px_xy[1]:.3g} mm in another"
    )
