"""The sector of a clip whose file tells where its echoes are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Box
from pipeline.ingest.sector.sector import Sector, find_sector, find_sector_in_box

__all__ = ["find_sector_with_regions"]

# Of a fan found on the whole screen, this share must lie in one region, or the regions are another picture's.
MIN_SHARE_IN_REGION = 0.8
# px that a sector must keep from its region's sides and lower edge to be taken for whole: a region that belongs to the
# picture in another size cuts through the echoes.
MIN_CLEARANCE_PX = 3


def find_sector_with_regions(
    frames: Sequence[NDArray[np.uint8]], calibration: RegionCalibration
) -> tuple[Sector | None, RegionCalibration]:
    """The sector that all (H, W) uint8 ``frames`` share, looked for in one of the calibration's boxes if it has any;
    None where neither boxes nor echoes tell of one.

    Of several, that is the one in which the whole screen's sector lies, else the largest. A fan that plainly lies in
    none gives them the lie: programs make pictures larger or smaller and leave the header as it was. Then neither
    boxes nor scale are believed, and the answer's calibration says why. A region with a whole sector of its own is
    believed nevertheless: what was found elsewhere is the bar of names above it.
    """
    anywhere = find_sector(frames)
    if not calibration.boxes:
        return anywhere, calibration

    if anywhere is None or anywhere.kind != "fan":
        return _sector_in(frames, calibration.boxes[0]), calibration
    mask = anywhere.mask

    def held(box: Box) -> int:
        return int(np.count_nonzero(mask[box[1] : box[3], box[0] : box[2]]))

    box = max(calibration.boxes, key=held)
    within = _sector_in(frames, box)
    if held(box) < MIN_SHARE_IN_REGION * np.count_nonzero(mask) and not _is_whole(within, box):
        fault = "the echoes do not lie in the region that its header tells: its size was changed after that was written"
        return anywhere, RegionCalibration(fault=fault)
    return within, calibration


def _is_whole(sector: Sector, box: Box) -> bool:
    """Whether a fan found in ``box`` keeps clear of its sides and lower edge; a face may touch the upper one."""
    clear = sector.box[0] - box[0], box[2] - sector.box[2], box[3] - sector.box[3]
    return sector.kind == "fan" and min(clear) >= MIN_CLEARANCE_PX


def _sector_in(frames: Sequence[NDArray[np.uint8]], box: Box) -> Sector:
    found = find_sector_in_box(frames, box)
    if found is not None:
        return found
    # Where no outline is found the box itself is one.
    x0, y0, x1, y1 = box
    mask = np.zeros(frames[0].shape, np.bool_)
    mask[y0:y1, x0:x1] = True
    return Sector("rectangle", mask, box)
