"""The sector as a coarse map over beams and depths, read from so few pixels that it costs almost nothing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector import Sector

__all__ = ["BEAM_COUNT", "DEPTH_COUNT", "BeamMap"]

BEAM_COUNT, DEPTH_COUNT = 32, 32
CELL_COUNT = BEAM_COUNT * DEPTH_COUNT
SAMPLES_PER_CELL = 16  # pixels read for each cell


class BeamMap:
    """The cells of one clip's map in its frames. The sector must not be empty.

    area_shares : (BEAM_COUNT * DEPTH_COUNT,) float32, share of the sector's pixels in each cell, beam after beam
    """

    def __init__(self, sector: Sector) -> None:
        # As many pixels as are sampled, or slightly more, are enough to assign pixels to cells.
        step = max(1, int(np.sqrt(np.count_nonzero(sector.mask) / (CELL_COUNT * SAMPLES_PER_CELL))))
        rows, columns = (step * index for index in np.nonzero(sector.mask[::step, ::step]))
        x, y = columns.astype(np.float64), rows.astype(np.float64)
        if sector.apex_xy is None:
            across = x - sector.steering * y
        else:
            # With the probe at the bottom, the apex lies below.
            across = np.arctan2(x - sector.apex_xy[0], abs(y - sector.apex_xy[1]))
        depth = sector.depth_px(np.stack([x, y], axis=1))
        cell = _cell_index(across - across.min(), float(np.ptp(across)), BEAM_COUNT) * DEPTH_COUNT
        cell += _cell_index(depth, sector.depth_range_px, DEPTH_COUNT)
        pixels = np.bincount(cell, minlength=CELL_COUNT)
        self.area_shares = (pixels / len(cell)).astype(np.float32)
        # The samples are spread over each cell's pixels. An empty cell takes the samples of the cell before it.
        order = np.argsort(cell, kind="stable")
        first = np.cumsum(pixels) - pixels
        spread = (np.arange(SAMPLES_PER_CELL)[:, None] + 0.5) / SAMPLES_PER_CELL
        chosen = order[np.minimum(first + (spread * pixels).astype(np.int64), len(cell) - 1)]
        source_cell = np.maximum.accumulate(np.where(pixels > 0, np.arange(CELL_COUNT), np.flatnonzero(pixels)[0]))
        self._pixel_indices = (rows * sector.mask.shape[1] + columns)[chosen[:, source_cell]]

    def sample(self, grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """(SAMPLES_PER_CELL, BEAM_COUNT * DEPTH_COUNT) pixels of ``grey`` (H, W)."""
        return np.asarray(grey.take(self._pixel_indices), np.uint8)

    @staticmethod
    def mean_levels(samples: NDArray[np.uint8]) -> NDArray[np.float32]:
        """(BEAM_COUNT, DEPTH_COUNT) mean of each cell."""
        means = cv2.reduce(samples, 0, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
        return np.asarray(means, np.float32).reshape(BEAM_COUNT, DEPTH_COUNT)


def _cell_index(position: NDArray[np.float64], length: float, cells: int) -> NDArray[np.int64]:
    """The cell of each position from 0 to ``length``."""
    return np.clip(position * (cells / max(length, 1e-9)), 0, cells - 1).astype(np.int64)
