"""Where on the screen the echoes are: a convex probe's fan or a linear probe's rectangle.

Coordinates are pixels of the source frame, x to the right, y down, pixel centres at whole numbers. Boxes are
half-open. The probe is at the top, as scanners show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.fan import Fan, fit_fan

__all__ = ["Sector", "find_sector"]

# The search works on pictures of this longer side, in px: text and rulers have vanished, edges have not.
WORKING_SIDE = 400
# In grey levels, chosen on generated pictures: how far echoes rise above a black screen with a codec's noise
# on it, their local standard deviation on any other screen, and that of flat paint, which is no echo at all.
LEVEL_ABOVE = 6.0
TEXTURE_ABOVE = 3.0
PAINTED_BELOW = 0.3
# A screen brighter than this is a page or a window around the picture; then texture alone tells.
BLACK_SCREEN_BELOW = 30
# Shares of the longer side: speckle's gaps are closed up to the first, text and lines are opened up to the
# second.
GAP, LINE = 0.0125, 0.035
SMALLEST_SHARE = 0.04  # of the picture's area; anything smaller is no sector
# Shares that accept a rectangle: of the region that it must hold, and of itself that the region must fill.
HELD_BY_RECTANGLE, RECTANGLE_FILLED = 0.93, 0.85


@dataclass(frozen=True)
class Sector:
    """The part of a frame that holds echo data.

    kind : "whole" where nothing was found; a "rectangle" may be any convex outline that is no fan
    mask : (H, W) bool;  box : x0, y0, x1, y1 of the mask
    apex_xy : px, where the beams meet, above the probe's face;  None unless a fan, as are
    inner_radius_px, outer_radius_px : from the apex to the probe's face and to the deepest echoes
    """

    kind: Literal["fan", "rectangle", "whole"]
    mask: NDArray[np.bool_]
    box: tuple[int, int, int, int]
    apex_xy: tuple[float, float] | None = None
    inner_radius_px: float | None = None
    outer_radius_px: float | None = None

    def depth_px(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N,) distance of (N, 2) points x, y from the probe's face, along the beam; never negative."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if self.apex_xy is None or self.inner_radius_px is None:
            depth = points[:, 1] - self.box[1]
        else:
            depth = np.hypot(*(points - self.apex_xy).T) - self.inner_radius_px
        return np.maximum(depth, 0.0)

    @property
    def depth_range_px(self) -> float:
        """From the probe's face to the deepest echoes: what a scanner's depth setting measures."""
        if self.outer_radius_px is None or self.inner_radius_px is None:
            return float(self.box[3] - self.box[1])
        return self.outer_radius_px - self.inner_radius_px


def find_sector(frames: Sequence[NDArray[np.uint8]]) -> Sector:
    """The sector that all ``frames`` of one clip share; (H, W) uint8 each, at least one.

    Echoes differ from the screen around them by level and by texture. The largest such region, without the
    text and rulers around it, gives the outline; a fan or a rectangle that explains the outline is preferred
    to the outline itself, since both reach into shadows and dark corners where no echo shows the border.
    """
    height, width = frames[0].shape
    scale = min(1.0, WORKING_SIDE / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    # A few frames spread over the whole look-ahead know as much as all of them.
    chosen = [frames[i] for i in np.unique(np.linspace(0, len(frames) - 1, 8).round().astype(int))]
    small = np.stack([cv2.resize(frame, size, interpolation=cv2.INTER_AREA) for frame in chosen])
    region = _largest_region(_echoes(small.astype(np.float32)))
    if region is None:
        return _whole(height, width)
    fan, rectangle = fit_fan(region), _rectangle_around(region)
    magnify = np.array([width / size[0], height / size[1]])
    if fan is not None and (rectangle is None or _likeness(fan.mask(*region.shape), region) > rectangle[1]):
        return _fan_sector(fan.magnified(*magnify), height, width)
    outline = np.zeros((height, width), np.uint8)
    if rectangle is not None:
        x0, y0 = np.floor(rectangle[0][:2] * magnify).astype(int)
        x1, y1 = np.ceil(rectangle[0][2:] * magnify).astype(int)
        outline[y0:y1, x0:x1] = 1
    else:
        hull = (_hull_of(region) + 0.5) * magnify - 0.5
        cv2.fillConvexPoly(outline, np.rint(hull).astype(np.int32), 1)
    mask = outline.astype(np.bool_)
    return Sector("rectangle", mask, _box_of(mask))


def _echoes(frames: NDArray[np.float32]) -> NDArray[np.uint8]:
    """(F, H, W) frames to (H, W), 1 where there are echoes rather than screen."""
    mean = frames.mean(axis=0)
    texture = np.mean([_local_deviation(frame) for frame in frames], axis=0)
    flat = texture < TEXTURE_ABOVE / 2
    if flat.mean() < 0.01:
        return np.ones(flat.shape, dtype=np.uint8)
    screen = int(np.bincount(mean[flat].astype(np.int64), minlength=256).argmax())
    if screen < BLACK_SCREEN_BELOW:
        return np.asarray((mean > screen + LEVEL_ABOVE) & (texture > PAINTED_BELOW), dtype=np.uint8)
    # The deviation's window takes in an edge that lies two pixels away.
    textured = (texture > TEXTURE_ABOVE).astype(np.uint8)
    return np.asarray(cv2.erode(cv2.morphologyEx(textured, cv2.MORPH_CLOSE, _disc(5)), _disc(4)))


def _local_deviation(frame: NDArray[np.float32]) -> NDArray[np.float32]:
    mean = cv2.blur(frame, (5, 5))
    return np.asarray(np.sqrt(np.maximum(cv2.blur(frame * frame, (5, 5)) - mean * mean, 0.0)))


def _largest_region(echoes: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """The largest connected region that is more than text and lines, or None."""
    side = max(echoes.shape)
    margin = side // 10
    within = np.s_[margin:-margin, margin:-margin]
    # Closing must not take the picture's border for echoes; opening must not round a corner that it cuts off.
    closed = cv2.morphologyEx(np.pad(echoes, margin), cv2.MORPH_CLOSE, _disc(GAP * side))[within]
    extended = np.pad(closed, margin, mode="edge")
    opened = cv2.morphologyEx(extended, cv2.MORPH_OPEN, _disc(LINE * side))[within]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(np.ascontiguousarray(opened), connectivity=4)
    if count < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[largest, cv2.CC_STAT_AREA] < SMALLEST_SHARE * echoes.size:
        return None
    # Saturated and anechoic spots belong to the sector that surrounds them.
    contours, _ = cv2.findContours((labels == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(echoes)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled


def _disc(diameter: float) -> NDArray[np.uint8]:
    odd = 2 * round(diameter / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (odd, odd)))


def _whole(height: int, width: int) -> Sector:
    return Sector("whole", np.ones((height, width), dtype=np.bool_), (0, 0, width, height))


def _fan_sector(fan: Fan, height: int, width: int) -> Sector:
    mask = fan.mask(height, width)
    return Sector("fan", mask, _box_of(mask), fan.apex_xy, fan.inner_radius_px, fan.outer_radius_px)


def _rectangle_around(region: NDArray[np.uint8]) -> tuple[NDArray[np.int64], float] | None:
    """Box (x0, y0, x1, y1) that explains the region, and how well; None if none does.

    Its edges are where the region reaches half of its full extent, so that what sticks to it does not count.
    """
    columns, rows = region.sum(axis=0), region.sum(axis=1)
    x, y = np.flatnonzero(columns > columns.max() / 2), np.flatnonzero(rows > rows.max() / 2)
    box = np.array([x[0], y[0], x[-1] + 1, y[-1] + 1])
    inside = np.zeros(region.shape, dtype=np.bool_)
    inside[box[1] : box[3], box[0] : box[2]] = True
    common = np.count_nonzero(inside & (region > 0))
    holds = common >= HELD_BY_RECTANGLE * np.count_nonzero(region)
    filled = common >= RECTANGLE_FILLED * np.count_nonzero(inside)
    return (box, _likeness(inside, region)) if holds and filled else None


def _likeness(inside: NDArray[np.bool_], region: NDArray[np.uint8]) -> float:
    """Intersection over union."""
    return float(np.count_nonzero(inside & (region > 0)) / np.count_nonzero(inside | (region > 0)))


def _hull_of(region: NDArray[np.uint8]) -> NDArray[np.float64]:
    """(N, 2) corners x, y of the region's convex hull."""
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.convexHull(np.vstack(contours)).reshape(-1, 2).astype(np.float64)


def _box_of(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
