"""The sector of a clip whose file states where its echoes are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Box
from pipeline.ingest.sector.sector import Sector, find_sector, find_sector_in_box

__all__ = ["find_sector_with_regions"]

# This share of a fan found on the whole screen must lie in one region, or the regions belong to another picture.
MIN_SHARE_IN_REGION = 0.8
# A fan that keeps so many px from its region's sides and lower edge is complete. A region that belongs to the picture
# in another size cuts through the echoes.
MIN_CLEARANCE_PX = 3


def find_sector_with_regions(
    frames: Sequence[NDArray[np.uint8]], calibration: RegionCalibration
) -> tuple[Sector | None, RegionCalibration]:
    """The sector that all (H, W) uint8 ``frames`` share, searched in one of the calibration's boxes if it has any, and
    the calibration that is believed. The sector is None if there are neither boxes nor echoes.

    Of several boxes, the one that holds the sector of the whole screen is taken, else the largest. A fan that clearly
    lies in none of them disproves them: programs resize pictures and leave the header as it was. Then neither boxes nor
    scale are believed, and the returned calibration says why. But a region with a complete fan of its own is believed,
    because what was found elsewhere is then the bar of names above it.
    """
    screen_sector = find_sector(frames)
    if not calibration.boxes:
        return screen_sector, calibration
    if screen_sector is None or screen_sector.kind != "fan":
        return _sector_in_region(frames, calibration.boxes[0]), calibration
    mask = screen_sector.mask

    def area_in(box: Box) -> int:
        return int(np.count_nonzero(mask[box[1] : box[3], box[0] : box[2]]))

    box = max(calibration.boxes, key=area_in)
    region_sector = _sector_in_region(frames, box)
    is_elsewhere = area_in(box) < MIN_SHARE_IN_REGION * np.count_nonzero(mask)
    if is_elsewhere and not _is_complete_fan(region_sector, box):
        fault = (
            "the echoes do not lie in the region that its header states: its size was changed after that was written"
        )
        return screen_sector, RegionCalibration(fault=fault)
    return region_sector, calibration


def _is_complete_fan(sector: Sector, box: Box) -> bool:
    """Whether the sector in ``box`` is a fan clear of its sides and lower edge. The face may touch the top."""
    clearances = sector.box[0] - box[0], box[2] - sector.box[2], box[3] - sector.box[3]
    return sector.kind == "fan" and min(clearances) >= MIN_CLEARANCE_PX


def _sector_in_region(frames: Sequence[NDArray[np.uint8]], box: Box) -> Sector:
    """The sector in ``box``; the box itself where none is found."""
    sector = find_sector_in_box(frames, box)
    if sector is not None:
        return sector
    x0, y0, x1, y1 = box
    mask = np.zeros(frames[0].shape, np.bool_)
    mask[y0:y1, x0:x1] = True
    return Sector("rectangle", mask, box)
