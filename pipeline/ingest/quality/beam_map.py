"""The sector as a coarse map over beams and depths, read off so few pixels that it costs next to nothing."""

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
    """Where the cells of one clip's map lie in its frames, which must hold some of the sector.

    area_shares : (BEAM_COUNT * DEPTH_COUNT,) float32, of the sector's pixels, in each cell, beam after beam
    """

    def __init__(self, sector: Sector) -> None:
        # As many pixels as are read, or somewhat more, are enough to know which cell holds which.
        step = max(1, int(np.sqrt(np.count_nonzero(sector.mask) / (CELL_COUNT * SAMPLES_PER_CELL))))
        rows, columns = (step * place for place in np.nonzero(sector.mask[::step, ::step]))
        x, y = columns.astype(np.float64), rows.astype(np.float64)
        if sector.apex_xy is None:
            across = x - sector.steering * y
        else:
            # Of a probe at the bottom the apex lies below.
            across = np.arctan2(x - sector.apex_xy[0], abs(y - sector.apex_xy[1]))
        deep = sector.depth_px(np.stack([x, y], axis=1))
        cell = _share(across - across.min(), float(np.ptp(across)), BEAM_COUNT) * DEPTH_COUNT
        cell += _share(deep, sector.depth_range_px, DEPTH_COUNT)
        pixels = np.bincount(cell, minlength=CELL_COUNT)
        self.area_shares = (pixels / len(cell)).astype(np.float32)
        # Spread over each cell's pixels in their order; a cell without any is read where the one before it lies.
        order = np.argsort(cell, kind="stable")
        first = np.cumsum(pixels) - pixels
        spread = (np.arange(SAMPLES_PER_CELL)[:, None] + 0.5) / SAMPLES_PER_CELL
        chosen = order[np.minimum(first + (spread * pixels).astype(np.int64), len(cell) - 1)]
        held = np.maximum.accumulate(np.where(pixels > 0, np.arange(CELL_COUNT), np.flatnonzero(pixels)[0]))
        self._places = (rows * sector.mask.shape[1] + columns)[chosen[:, held]]

    def sample(self, grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """(SAMPLES_PER_CELL, BEAM_COUNT * DEPTH_COUNT) pixels of ``grey`` (H, W)."""
        return np.asarray(grey.take(self._places), np.uint8)

    @staticmethod
    def mean_levels(samples: NDArray[np.uint8]) -> NDArray[np.float32]:
        """(BEAM_COUNT, DEPTH_COUNT) mean of each cell."""
        means = cv2.reduce(samples, 0, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
        return np.asarray(means, np.float32).reshape(BEAM_COUNT, DEPTH_COUNT)


def _share(place: NDArray[np.float64], whole: float, cells: int) -> NDArray[np.int64]:
    return np.clip(place * (cells / max(whole, 1e-9)), 0, cells - 1).astype(np.int64)
