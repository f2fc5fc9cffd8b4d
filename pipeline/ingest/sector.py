"""Where on the screen the echoes are: a convex probe's fan or a linear probe's rectangle.

Coordinates are pixels of the source frame, x to the right, y down, pixel centres at whole numbers. Boxes are
half-open. The probe is at the top, as scanners show it, unless they were told to turn the picture upside down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.echoes import echo_weights, unlit_costs
from pipeline.ingest.fan import Fan, refined_fan, rough_fan
from pipeline.ingest.slab import fit_slab

__all__ = ["Sector", "find_sector"]

# The search works on pictures of this longer side, in px: text and rulers have vanished, edges have not.
WORKING_SIDE = 400
SMALLEST_SHARE = 0.04  # of the picture's area in echoes; anything smaller is no sector
# A rectangle is the plainer word for what a fan explains no better than by this share of the echoes.
PLAINER = 0.01


@dataclass(frozen=True)
class Sector:
    """The part of a frame that holds echo data.

    kind : "whole" where nothing was found; a "rectangle" leans where its beams are steered
    mask : (H, W) bool;  box : x0, y0, x1, y1 of the mask
    apex_xy : px, where the beams meet, above the probe's face;  None unless a fan, as are
    inner_radius_px, outer_radius_px : from the apex to the probe's face and to the deepest echoes
    upside_down : the probe is at the bottom;  steering : px to the right for each px down along the beams, 0 in fans
    """

    kind: Literal["fan", "rectangle", "whole"]
    mask: NDArray[np.bool_]
    box: tuple[int, int, int, int]
    apex_xy: tuple[float, float] | None = None
    inner_radius_px: float | None = None
    outer_radius_px: float | None = None
    upside_down: bool = False
    steering: float = 0.0

    def depth_px(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N,) distance of (N, 2) points x, y from the probe's face, along the beam; never negative."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if self.apex_xy is None or self.inner_radius_px is None:
            depth = (points[:, 1] - self.box[1]) * np.hypot(1.0, self.steering)
        else:
            depth = np.hypot(*(points - self.apex_xy).T) - self.inner_radius_px
        return np.asarray(np.maximum(depth, 0.0))

    @property
    def depth_range_px(self) -> float:
        """From the probe's face to the deepest echoes: what a scanner's depth setting measures."""
        if self.outer_radius_px is None or self.inner_radius_px is None:
            return float((self.box[3] - self.box[1]) * np.hypot(1.0, self.steering))
        return self.outer_radius_px - self.inner_radius_px


def find_sector(frames: Sequence[NDArray[np.uint8]]) -> Sector:
    """The sector that all ``frames`` of one clip share; (H, W) uint8 each, at least one.

    Every part of the screen has a weight for or against echoes; a fan and a rectangle that gather the most weight
    are compared, and the better one is taken. Both reach into shadows and dark corners where no echo shows the
    border, and leave out what a screen has beside the sector, since dark lies between.
    """
    height, width = frames[0].shape
    scale = min(1.0, WORKING_SIDE / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    # A few frames spread over the whole look-ahead know as much as all of them.
    chosen = [frames[i] for i in np.unique(np.linspace(0, len(frames) - 1, 8).round().astype(int))]
    small = np.stack([cv2.resize(frame, size, interpolation=cv2.INTER_AREA) for frame in chosen])
    weights = echo_weights(small.astype(np.float32))
    echoes = float(weights.clip(min=0).sum())
    if echoes < SMALLEST_SHARE * weights.size:
        return _whole(height, width)
    magnify = width / size[0], height / size[1]
    slab, in_slab = fit_slab(weights)
    fan, in_fan = _rough_fan(weights)
    other, in_other = _rough_fan(weights[::-1])
    turned = bool(in_other > in_fan + PLAINER * echoes) and other.shows_its_face(*weights.shape)
    upright = weights[::-1] if turned else weights
    fan, in_fan = refined_fan(upright, other if turned else fan)
    in_fan -= unlit_costs(upright, *fan.beams(*weights.shape))
    if in_fan > in_slab + PLAINER * echoes:
        return _fan_sector(fan.magnified(*magnify), height, width, turned)
    slab = slab.magnified(*magnify)
    mask = slab.mask(height, width)
    return Sector("rectangle", mask, _box_of(mask), steering=slab.steering)


def _rough_fan(weights: NDArray[np.float32]) -> tuple[Fan, float]:
    fan, gathered = rough_fan(weights)
    return fan, gathered - unlit_costs(weights, *fan.beams(*weights.shape))


def _whole(height: int, width: int) -> Sector:
    return Sector("whole", np.ones((height, width), dtype=np.bool_), (0, 0, width, height))


def _fan_sector(fan: Fan, height: int, width: int, turned: bool) -> Sector:
    """turned : the fan was found on the picture turned upside down."""
    mask = fan.mask(height, width)
    x, y = fan.apex_xy
    if turned:
        mask, y = mask[::-1].copy(), height - 1 - y
    return Sector("fan", mask, _box_of(mask), (x, y), fan.inner_radius_px, fan.outer_radius_px, turned)


def _box_of(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
