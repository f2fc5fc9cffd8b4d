"""Where on the screen the echoes are: a convex probe's fan or a linear probe's rectangle.

Coordinates are pixels of the source frame, x to the right, y down, pixel centres at whole numbers. Boxes are
half-open. The probe is at the top, as scanners show it, unless they were set to turn the picture upside down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import Box
from pipeline.ingest.sector.echo_map import find_echoes
from pipeline.ingest.sector.fan import PlacedFan
from pipeline.ingest.sector.fan_fit import fit_coarse_fan, refine_fan, widen_fan
from pipeline.ingest.sector.linear_sector import Parallelogram, fit_coarse_parallelogram, refine_parallelogram
from pipeline.ingest.sector.screen_outline import find_outline_fan, find_screen_outline
from pipeline.ingest.sector.sector_evidence import LINE_WEIGHT, SectorEvidence

__all__ = ["Sector", "find_sector", "find_sector_in_box"]


@dataclass(frozen=True)
class SectorSearch:
    """How the sector is searched for. All values: common practice, no source. Shares are of all echoes.

    working_side_px : longer side of the pictures that are searched; text and rulers vanish at this size, edges do not
    sampled_frames : number of frames that are used
    min_echo_area_share : share of the picture's area in echoes below which there is no sector
    fan_margin_share : a rectangle is preferred unless a fan gains so much more
    clear_margin_share : where the coarse search finds one of them better by so much, that is settled
    min_explained_share : if an upright fan or rectangle gains less, the picture may be turned upside down ...
    upside_down_margin_share : ... and is, if the turned fan gains so much more
    """

    working_side_px: int = 320
    sampled_frames: int = 6
    min_echo_area_share: float = 0.04
    fan_margin_share: float = 0.01
    clear_margin_share: float = 0.1
    min_explained_share: float = 0.96
    upside_down_margin_share: float = 0.03


_SEARCH = SectorSearch()


@dataclass(frozen=True)
class Sector:
    """The part of a frame that holds echoes.

    kind : a "rectangle" is a parallelogram where its beams are steered
    mask : (H, W) bool;  box : of the mask
    apex_xy : px, where the beams meet, above the probe's face; None for a rectangle, as are the radii
    inner_radius_px, outer_radius_px : from the apex to the probe's face and to the deepest echoes
    upside_down : the probe is at the bottom;  steering : px to the right for each px down along the beams, 0 in fans
    """

    kind: Literal["fan", "rectangle"]
    mask: NDArray[np.bool_]
    box: Box
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
    def face_middle_xy(self) -> tuple[float, float]:
        """px, the middle of the probe's face, about which the picture turns when the probe rocks on the skin."""
        if self.apex_xy is None or self.inner_radius_px is None:
            return (self.box[0] + self.box[2] - 1) / 2, float(self.box[3] - 1 if self.upside_down else self.box[1])
        return self.apex_xy[0], self.apex_xy[1] + (-1 if self.upside_down else 1) * self.inner_radius_px

    @property
    def depth_range_px(self) -> float:
        """From the probe's face to the deepest echoes: what a scanner's depth setting measures."""
        if self.outer_radius_px is None or self.inner_radius_px is None:
            return float((self.box[3] - self.box[1]) * np.hypot(1.0, self.steering))
        return self.outer_radius_px - self.inner_radius_px


def find_sector(frames: Sequence[NDArray[np.uint8]]) -> Sector | None:
    """The sector that all ``frames`` of one clip share, (H, W) uint8 each, at least one; None if there are hardly any
    echoes.

    A fan that fills everything except plain screen is the sector. In a window on a brighter page, only the window is
    searched. Elsewhere every part of the screen counts for or against echoes; the fan and the rectangle with the
    highest scores are compared, and the better one is taken. Both reach into shadows and dark corners where no echo
    shows the border, and leave out what the screen shows next to the sector, because darkness lies between.
    """
    height, width = frames[0].shape
    scale = min(1.0, _SEARCH.working_side_px / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    # A few frames spread over all of them show as much as all.
    indices = np.unique(np.linspace(0, len(frames) - 1, _SEARCH.sampled_frames).round().astype(int))
    sampled = [frames[index] for index in indices]
    small = np.stack([_shrunk(frame, size) for frame in sampled]).astype(np.float32)
    across, down = width / size[0], height / size[1]
    outline = find_screen_outline(small)
    if outline and (window := outline.inner_screen_box()):
        x0, y0, x1, y1 = window
        return find_sector_in_box(sampled, (round(x0 * across), round(y0 * down), round(x1 * across), round(y1 * down)))
    evidence = find_echoes(small)
    if evidence.echo_px < _SEARCH.min_echo_area_share * evidence.echo.size:
        return None
    outline_fan = find_outline_fan(outline, evidence) if outline else None
    shape = outline_fan or _best_shape(evidence)
    return _to_sector(shape.scaled(across, down), height, width)


def _best_shape(evidence: SectorEvidence) -> Parallelogram | PlacedFan:
    """The rectangle, parallelogram or fan that explains the echoes best. A rectangle is preferred."""
    echo_px = evidence.echo_px
    linear = fit_coarse_parallelogram(evidence)
    rectangle = refine_parallelogram(evidence, linear.shape)
    if rectangle.score > (1 - _SEARCH.fan_margin_share) * echo_px + LINE_WEIGHT * float(evidence.line.sum()):
        # A fan cannot gain so much more, because there is no more.
        return rectangle.shape
    fan = fit_coarse_fan(evidence)
    upside_down = False
    if max(linear.score, fan.score) < _SEARCH.min_explained_share * echo_px:
        flipped = fit_coarse_fan(evidence.flipped)
        is_better = flipped.score > fan.score + _SEARCH.upside_down_margin_share * echo_px
        upside_down = is_better and flipped.shape.has_uncropped_face(*evidence.shape)
        fan = flipped if upside_down else fan
    upright = evidence.flipped if upside_down else evidence
    if fan.score - linear.score < _SEARCH.clear_margin_share * echo_px:
        # Steered beams fill a part of an upright rectangle, and a fan fills a part of it too, but less.
        linear = fit_coarse_parallelogram(evidence, allow_steering=True)
    if abs(fan.score - linear.score) < _SEARCH.clear_margin_share * echo_px:
        linear = refine_parallelogram(evidence, linear.shape)
        fan = refine_fan(upright, fan.shape)
        is_fan = fan.score > linear.score + _SEARCH.fan_margin_share * echo_px
    else:
        is_fan = fan.score > linear.score
        if is_fan:
            fan = refine_fan(upright, fan.shape)
        else:
            linear = refine_parallelogram(evidence, linear.shape)
    return PlacedFan(widen_fan(upright, fan.shape), upside_down) if is_fan else linear.shape


def _shrunk(frame: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """``frame`` (H, W) in a smaller size. size : width, height"""
    # Halving is many times faster than any other factor.
    while frame.shape[1] >= 2 * size[0] and frame.shape[0] % 2 == frame.shape[1] % 2 == 0:
        frame = np.asarray(cv2.resize(frame, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA), np.uint8)


def find_sector_in_box(frames: Sequence[NDArray[np.uint8]], box: Box) -> Sector | None:
    """The sector in a box of the frames, in coordinates of the whole frame; None if there are hardly any echoes."""
    x0, y0, x1, y1 = box
    inner = find_sector([frame[y0:y1, x0:x1] for frame in frames])
    if inner is None:
        return None
    mask = np.zeros(frames[0].shape, np.bool_)
    mask[y0:y1, x0:x1] = inner.mask
    left, top, right, bottom = inner.box
    return replace(
        inner,
        mask=mask,
        box=(left + x0, top + y0, right + x0, bottom + y0),
        apex_xy=None if inner.apex_xy is None else (inner.apex_xy[0] + x0, inner.apex_xy[1] + y0),
    )


def _to_sector(shape: Parallelogram | PlacedFan, height: int, width: int) -> Sector:
    """The sector of that shape in a picture of that size, px."""
    mask = shape.mask(height, width)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
    if isinstance(shape, Parallelogram):
        return Sector("rectangle", mask, box, steering=shape.steering)
    fan = shape.fan
    x, y = fan.apex_xy
    apex_xy = x, height - 1 - y if shape.upside_down else y
    return Sector("fan", mask, box, apex_xy, fan.inner_radius_px, fan.outer_radius_px, shape.upside_down)
