"""Sectors that must be found, and how like the true ones they are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.machines import filmed_machines
from pipeline.bench.sectors import overlap as likeness
from pipeline.ingest.sector import Sector, find_sector

__all__ = ["filmed_machines", "likeness", "sector_of"]


def sector_of(frames: Sequence[NDArray[np.uint8]]) -> Sector:
    """The sector of frames that must have one."""
    sector = find_sector(frames)
    assert sector is not None
    return sector
