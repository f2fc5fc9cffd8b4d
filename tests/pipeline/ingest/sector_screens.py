"""Simulated screens, and sectors that must be found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.input_files.sector_accuracy import mask_iou
from pipeline.bench.input_files.simulated_screens import simulated_screens
from pipeline.ingest.sector.sector import Sector, find_sector

__all__ = ["mask_iou", "require_sector", "simulated_screens"]


def require_sector(frames: Sequence[NDArray[np.uint8]]) -> Sector:
    """The sector of the frames. The test fails if there is none."""
    sector = find_sector(frames)
    assert sector is not None
    return sector
