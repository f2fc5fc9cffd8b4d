"""The physical scale in a DICOM file, from its Sequence of Ultrasound Regions (0018,6011), PS3.3 section C.8.5.5.

A region is a box on the screen with a meaning: tissue, colour flow, an ECG trace, a colour bar. Only a box of tissue
with centimetres on both axes gives mm per px, and only as long as it fits the picture: programs that shrink pictures
are known to leave the boxes as they were.

Coordinates are pixels of the stored picture, x to the right, y down. Boxes are half-open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.ingest.display import MAX_PIXEL_ASPECT
from pipeline.ingest.frame import Box

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["RegionCalibration", "read_region_calibration"]

# PS3.3 C.8.5.5.1.1, C.8.5.5.1.2 and C.8.5.5.1.15.
TWO_DIMENSIONAL, TISSUE, CENTIMETRES = 1, 1, 3
# Bit 0 of the flags, C.8.5.5.1.3: where regions overlap, one of low priority does not apply.
LOW_PRIORITY = 1


@dataclass(frozen=True)
class RegionLimits:
    """What any ultrasound picture keeps to (all values: common practice, no source).

    min_mm_per_px, max_mm_per_px : scale of a pixel
    min_depth_mm, max_depth_mm : height of a region of tissue
    delta_tolerance : pixel sizes that differ by a smaller share are the same, written with rounding
    spacing_tolerance : the same for Pixel Spacing, which states the scale a second time
    min_visible_share : of a region's height that must be left, for a picture cut at the bottom to keep its scale
    min_side_px : a smaller region shows no anatomy
    max_regions : a longer list is an error
    """

    min_mm_per_px: float = 0.005
    max_mm_per_px: float = 5.0
    min_depth_mm: float = 5.0
    max_depth_mm: float = 500.0
    delta_tolerance: float = 0.002
    spacing_tolerance: float = 0.02
    min_visible_share: float = 0.5
    min_side_px: int = 64
    max_regions: int = 64


_LIMITS = RegionLimits()


@dataclass(frozen=True)
class RegionCalibration:
    """What the regions say about the picture.

    boxes : where echoes are, inside the picture, the largest first; empty if no region of tissue fits the picture
    mm_per_px_xy : across and down; None if the scale is unknown
    fault : why the regions give no scale; None if they do, or if there are none
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
    """is_tissue : tissue rather than flow, a trace or a bar;  has_length : centimetres on both axes"""

    is_tissue: bool
    has_length: bool
    low_priority: bool
    box: Box
    mm_per_px_xy: tuple[float, float]


def read_region_calibration(dataset: Dataset, rows: int, columns: int) -> RegionCalibration:
    """The scale and the position of the echoes in pictures of ``rows`` x ``columns`` pixels.

    Several regions of tissue must have the same scale. Missing, contradictory or impossible values are reported as the
    fault; the scale is never guessed.
    """
    items = list(dataset.get("SequenceOfUltrasoundRegions") or ())
    if not items:
        return RegionCalibration()
    if len(items) > _LIMITS.max_regions:
        return RegionCalibration(fault=f"its header lists {len(items)} regions")
    try:
        regions = [_read_region(item) for item in items]
    except (AttributeError, TypeError, ValueError, OverflowError):
        return RegionCalibration(fault="a region in its header is incomplete or not a number")
    tissue = [region for region in regions if region.is_tissue]
    if not tissue:
        return RegionCalibration(fault="none of the regions in its header is a picture of tissue")
    fault = _box_fault(regions, rows, columns)
    if fault:
        return RegionCalibration(fault=fault)
    # Regions of low priority apply only where there are no others.
    chosen = [region for region in tissue if not region.low_priority] or tissue
    boxes = tuple(sorted((_clipped(region.box, rows, columns) for region in chosen), key=_area, reverse=True))
    fault = _scale_fault(chosen) or _spacing_fault(dataset, chosen[0].mm_per_px_xy)
    if fault:
        return RegionCalibration(boxes, fault=fault)
    across, down = chosen[0].mm_per_px_xy
    if abs(across - down) <= _LIMITS.delta_tolerance * min(across, down):
        across = down = math.sqrt(across * down)
    return RegionCalibration(boxes, (across, down))


def _read_region(item: Dataset) -> _Region:
    box = (
        int(item.RegionLocationMinX0),
        int(item.RegionLocationMinY0),
        # The standard's second corner is the last pixel inside.
        int(item.RegionLocationMaxX1) + 1,
        int(item.RegionLocationMaxY1) + 1,
    )
    units = item.get("PhysicalUnitsXDirection"), item.get("PhysicalUnitsYDirection")
    deltas_cm = float(item.get("PhysicalDeltaX") or 0.0), float(item.get("PhysicalDeltaY") or 0.0)
    return _Region(
        is_tissue=item.get("RegionSpatialFormat") == TWO_DIMENSIONAL and item.get("RegionDataType") == TISSUE,
        has_length=units == (CENTIMETRES, CENTIMETRES),
        low_priority=bool(int(item.get("RegionFlags") or 0) & LOW_PRIORITY),
        box=box,
        mm_per_px_xy=(10.0 * deltas_cm[0], 10.0 * deltas_cm[1]),
    )


def _box_fault(regions: list[_Region], rows: int, columns: int) -> str | None:
    """Why the boxes belong to another picture, or None.

    A picture cut at the bottom keeps its scale and its columns. Then no box reaches past its right border, and most of
    the tissue is still there. Otherwise columns were cut off at an unknown side or, more likely, the picture was made
    smaller. One pixel too many is accepted, because many machines store the first pixel outside as the last one inside.
    """
    for region in regions:
        x0, y0, x1, y1 = region.box
        if x0 < 0 or y0 < 0 or min(x1 - x0, y1 - y0) < _LIMITS.min_side_px:
            if region.is_tissue:
                return f"the region of tissue in its header has {x1 - x0} x {y1 - y0} pixels"
        elif x1 > columns + 1:
            return (
                f"a region in its header reaches to column {x1}, but the picture has {columns}: "
                "it was made smaller after the header was written"
            )
        elif region.is_tissue and y1 > rows + 1 and rows - y0 < _LIMITS.min_visible_share * (y1 - y0):
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
    """Why the regions of tissue give no scale, or None."""
    for region in tissue:
        across, down = region.mm_per_px_xy
        depth_mm = down * (region.box[3] - region.box[1])
        if not region.has_length:
            return "the region of tissue in its header is not measured in centimetres"
        if not all(_LIMITS.min_mm_per_px <= length <= _LIMITS.max_mm_per_px for length in (across, down)):
            return f"its header declares pixels of {across:.3g} x {down:.3g} mm, which no scanner makes"
        if not _LIMITS.min_depth_mm <= depth_mm <= _LIMITS.max_depth_mm:
            return f"its header declares a picture {depth_mm:.3g} mm deep, which no scanner shows"
        if max(across, down) > MAX_PIXEL_ASPECT * min(across, down):
            return f"its header declares pixels of {across:.3g} x {down:.3g} mm, far from square"
        pairs = zip(region.mm_per_px_xy, tissue[0].mm_per_px_xy, strict=True)
        if not all(math.isclose(*pair, rel_tol=_LIMITS.delta_tolerance) for pair in pairs):
            return "its header has several regions of tissue with different scales"
    return None


def _spacing_fault(dataset: Dataset, mm_per_px_xy: tuple[float, float]) -> str | None:
    """Why the header's Pixel Spacing contradicts the regions' scale, or None."""
    spacing = dataset.get("PixelSpacing")  # mm, down first (PS3.3 10.7.1.3)
    if spacing is None:
        return None
    try:
        down, across = (float(value) for value in spacing)
    except (TypeError, ValueError):
        return None
    pairs = zip((across, down), mm_per_px_xy, strict=True)
    if all(math.isclose(one, other, rel_tol=_LIMITS.spacing_tolerance) for one, other in pairs):
        return None
    return (
        f"its header contradicts itself: {across:.3g} x {down:.3g} mm to a pixel in one place, "
        f"{mm_per_px_xy[0]:.3g} x {mm_per_px_xy[1]:.3g} mm in another"
    )
