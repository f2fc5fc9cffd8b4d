"""Whether a frame is of use, told from a sixteenth of its pixels so that it costs next to nothing.

The sector is read as a coarse map over beams and depths. A beam has contact if it brings back echoes from deeper than
the first quarter; bone and shells near the skin take contact from the beams behind them too, as far as use goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.clip_quality import Cause
from pipeline.ingest.sector import Sector
from pipeline.settings import IngestSettings

__all__ = ["FrameJudge", "FrameQuality"]

STEP_PX = 4
BEAMS, DEPTHS = 32, 32
# Where "deep" begins: gel, skin and what rings in the face lie above it.
DEEP = DEPTHS // 4
# Grey levels above the darkest cell of the sector: a display may show black as grey, though no brighter than this. A
# sector without a dark place has none without contact.
LIT_ABOVE, BLACK_AT_MOST = 10.0, 40.0
# Of the depths, where bands parallel to the face are looked for, and over how many cells they rise and fall.
BANDS, BAND_CELLS = np.s_[3:24], 7

# Cells so large that speckle, which changes with every plane, is evened out in them.
COARSE = 8
# Grey levels; the standard deviation of such cells where tissue is even, and only what is left of speckle changes.
EVEN_BELOW = 10.0

Map = NDArray[np.float32]


@dataclass(frozen=True)
class FrameQuality:
    """usable : fit for detection;  cause : why not, None if it is

    repeated : shows what the frame before showed (a frozen screen, or a recording faster than the scanner);
    such a frame counts as usable, until the screen has been frozen for long, and the answer for the frame before
    holds for it.
    contact : shares of the left and of the right half of the beams, as they lie in the picture, that have contact
    """

    usable: bool
    cause: Cause | None
    repeated: bool
    contact: tuple[float, float]


class FrameJudge:
    """Judges the frames of one clip in their order, by their sector alone: a clock runs on while it is frozen."""

    def __init__(self, sector: Sector, settings: IngestSettings) -> None:
        self._settings = settings
        self._sampled = sector.mask[::STEP_PX, ::STEP_PX]
        y, x = (STEP_PX * place.astype(np.float64) for place in np.nonzero(self._sampled))
        points = np.stack([x, y], axis=1)
        if sector.apex_xy is None:
            across = x - sector.steering * y
        else:
            # Of a probe at the bottom the apex lies below.
            across = np.arctan2(x - sector.apex_xy[0], abs(y - sector.apex_xy[1]))
        beam = _share(across - across.min(initial=np.inf), float(np.ptp(across)) if len(x) else 0.0, BEAMS)
        self._cell = beam * DEPTHS + _share(sector.depth_px(points), sector.depth_range_px, DEPTHS)
        self._pixels = np.maximum(np.bincount(self._cell, minlength=BEAMS * DEPTHS), 1)
        self._before: tuple[NDArray[np.int16], Map] | None = None
        self._still_frames = 0

    def judge(self, grey: NDArray[np.uint8], *, moves: bool = True) -> FrameQuality:
        """Judgement of ``grey`` (H, W), the frame after the one judged last. moves : part of a film, no still alone"""
        echoes = grey[::STEP_PX, ::STEP_PX][self._sampled].astype(np.int16)
        seen = (np.bincount(self._cell, echoes, BEAMS * DEPTHS) / self._pixels).reshape(BEAMS, DEPTHS)
        levels = seen.astype(np.float32)
        before, self._before = self._before, (echoes, levels)
        repeated = False
        if before is not None and echoes.size:
            repeated = bool(np.abs(echoes - before[0]).mean() < self._settings.repeated_below)
        self._still_frames = self._still_frames + 1 if repeated else 0
        lit = levels > min(float(levels.min()), BLACK_AT_MOST) + LIT_ABOVE
        left, right = np.split(lit[:, DEEP:].max(axis=1), 2)
        contact = float(left.mean()), float(right.mean())
        cause = self._cause(echoes, levels, lit, contact, before[1] if before and moves else None)
        return FrameQuality(cause is None, cause, repeated, contact)

    def _cause(
        self,
        echoes: NDArray[np.int16],
        levels: Map,
        lit: NDArray[np.bool_],
        contact: tuple[float, float],
        before: Map | None,
    ) -> Cause | None:
        settings = self._settings
        if echoes.size == 0:
            return "too dark"
        if np.mean(echoes >= 254) > settings.saturated_share_above:
            return "saturated"
        touching = sum(contact) / 2
        # In air a probe shows its own ringing at the face and nothing below; without gain it shows nothing at all.
        rings = bool(lit[:, :DEEP].any(axis=1).mean() > 0.5)
        if touching < settings.contact_share_below and rings:
            return "no contact"
        if echoes.mean() < settings.dark_below:
            return "too dark"
        if touching < settings.contact_share_below or _banding(levels) > settings.banding_above:
            return "no contact"
        if self._still_frames > settings.frozen_after_frames:
            return "frozen"
        if before is not None and _likeness(levels, before) < settings.likeness_below:
            return "too fast"
        return None


def _share(place: NDArray[np.float64], whole: float, cells: int) -> NDArray[np.int64]:
    return np.clip(place * (cells / max(whole, 1e-9)), 0, cells - 1).astype(np.int64)


def _banding(levels: Map) -> float:
    """How much the beams rise and fall together: the least correlation of a beam with the mean of all, but for one.

    Near 1 where sound only goes to and fro between the face and what lies before it. In tissue, and where eggs lie
    side by side, some beams go their own way.
    """
    deep = levels[:, BANDS]
    deep = np.asarray(cv2.resize(deep, (deep.shape[1], COARSE), interpolation=cv2.INTER_AREA))
    ripple = deep - cv2.blur(deep, (BAND_CELLS, 1))
    ripple -= ripple.mean(axis=1, keepdims=True)
    together = ripple.mean(axis=0)
    strength = np.sqrt((ripple * ripple).sum(axis=1) * float((together * together).sum()))
    return float(np.partition(ripple @ together / np.maximum(strength, 1.0), 1)[1])


def _likeness(one: Map, other: Map) -> float:
    """Correlation of two maps; 1 where either is too even to say anything of movement."""
    a, b = (np.asarray(cv2.resize(each, (COARSE, COARSE), interpolation=cv2.INTER_AREA)) for each in (one, other))
    a, b = a - a.mean(), b - b.mean()
    deviations = float(a.std()), float(b.std())
    return 1.0 if min(deviations) < EVEN_BELOW else float((a * b).mean()) / (deviations[0] * deviations[1])
