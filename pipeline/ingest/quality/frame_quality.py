"""Whether a frame is of use, told from a few of its pixels so that it costs next to nothing.

The sector is read as a coarse map over beams and depths. A beam has contact if it brings back echoes from deeper than
the first quarter; bone and shells near the skin take contact from the beams behind them too, as far as use goes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import Chroma
from pipeline.ingest.quality.beam_map import BEAM_COUNT, DEPTH_COUNT, BeamMap
from pipeline.ingest.quality.clip_quality import RejectionCause
from pipeline.ingest.quality.colour_doppler import ColourDopplerDetector
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import IngestSettings

__all__ = ["FrameQuality", "FrameQualityAssessor"]

# Where "deep" begins: gel, skin and what rings in the face lie above it.
DEEP_START = DEPTH_COUNT // 4
# Grey levels above the sector's darkest twentieth: a display may show black as grey, though no brighter than this. A
# sector without a dark place has none without contact. The very darkest cells may reach over its edge.
LIT_ABOVE, MAX_BLACK_LEVEL = 10.0, 40.0
DARK_CELL_RANK = BEAM_COUNT * DEPTH_COUNT // 20
# Of the depths, where bands parallel to the face are looked for, and over how many cells they rise and fall. Above
# them lie layers of skin, which are bands, too.
BAND_DEPTHS, BAND_CELLS = np.s_[DEEP_START:29], 7
# Grey levels, root mean square: weaker ripples that all beams share are the fading of sound with depth and no bands;
# haze that fades from 150 to nothing over the depth has up to 3.
MIN_BANDING_RMS = 5.0
WHITE_LEVEL = 254

# Cells so large that speckle, which changes with every plane, is evened out in them.
COARSE_CELLS = 8
# Grey levels; the standard deviation of such cells where tissue is even, and only what is left of speckle changes.
EVEN_STD_BELOW = 10.0

# Mean change of the cells' levels from the first frame on, in grey levels, up to which a film shows one picture. On
# generated pictures a moving hand makes 11 and more within 20 frames, and the coarsest coding of a frozen one up to 4.
MOVED_ABOVE = 5.0

Map = NDArray[np.float32]


def _rippling() -> Map:
    """(DEPTH_COUNT, bands): takes a beam's levels to how far each band lies above its neighbours, zero in the mean."""
    each = np.eye(DEPTH_COUNT, dtype=np.float32)[:, BAND_DEPTHS]
    ripples = each - np.asarray(cv2.blur(each, (BAND_CELLS, 1)))
    return np.asarray(ripples - ripples.mean(axis=1, keepdims=True), np.float32)


BANDING_FILTER = _rippling()
HALF_BEAMS = BEAM_COUNT // 2
# (COARSE_CELLS, BEAM_COUNT), and as many depths: takes cells to means of neighbours, of which COARSE_CELLS are left.
POOLING_MATRIX = np.repeat(np.eye(COARSE_CELLS, dtype=np.float32), BEAM_COUNT // COARSE_CELLS, axis=1) * np.float32(
    COARSE_CELLS / BEAM_COUNT
)
MEAN_WEIGHTS = np.full(COARSE_CELLS, 1 / COARSE_CELLS, np.float32)


@dataclass(frozen=True)
class FrameQuality:
    """usable : fit for detection;  rejection_cause : why not, None if it is

    repeated : shows what the frame before showed (a frozen screen, or a recording faster than the scanner);
    such a frame counts as usable, until the screen has been frozen for long, and the answer for the frame before
    holds for it.
    contact : shares of the left and of the right half of the beams, as they lie in the picture, that have contact
    """

    usable: bool
    rejection_cause: RejectionCause | None
    repeated: bool
    contact: tuple[float, float]


@dataclass(frozen=True)
class _Seen:
    """samples : as of `BeamMap`;  coarse : (COARSE_CELLS**2,), about its mean;  deviation : of those, the standard one"""

    samples: NDArray[np.uint8]
    coarse: Map
    deviation: float


class FrameQualityAssessor:
    """Judges the frames of one clip in their order, by their sector alone: a clock runs on while it is frozen.

    has_moved : whether any frame so far showed another picture than the first
    """

    def __init__(self, sector: Sector, settings: IngestSettings) -> None:
        self._settings = settings
        self._map = BeamMap(sector) if sector.mask.any() else None
        self._flow = ColourDopplerDetector(sector)
        self._before: _Seen | None = None
        self._still_frames = 0
        self._first: Map | None = None
        self.has_moved = False

    def assess(self, grey: NDArray[np.uint8], chroma: Chroma | None = None, *, is_video: bool = True) -> FrameQuality:
        """Judgement of ``grey`` (H, W), the frame after the one judged last.

        chroma : of the same frame;  is_video : part of a film, no still alone
        """
        if self._map is None:
            return FrameQuality(False, "too dark", False, (0.0, 0.0))
        samples = self._map.sample(grey)
        levels = self._map.mean_levels(samples)
        self._see_motion(levels)
        broad = np.asarray(POOLING_MATRIX @ levels, np.float32)
        before, self._before = self._before, _seen(samples, broad)
        change = None if before is None else cv2.norm(samples, before.samples, cv2.NORM_L1) / samples.size
        repeated = change is not None and change < self._settings.repeated_frame_change_below
        self._still_frames = self._still_frames + 1 if repeated else 0
        black = min(float(np.partition(levels, DARK_CELL_RANK, None)[DARK_CELL_RANK]), MAX_BLACK_LEVEL)
        lit = np.asarray(levels > black + LIT_ABOVE)
        touching = np.asarray(lit[:, DEEP_START:].any(axis=1))
        left, right = (
            int(np.count_nonzero(half)) / HALF_BEAMS for half in (touching[:HALF_BEAMS], touching[HALF_BEAMS:])
        )
        cause = self._of_levels(samples, levels, lit, (left + right) / 2)
        if cause is None and _banding(broad) > self._settings.banding_correlation_above:
            cause = "no contact"
        if cause is None and chroma is not None and self._flow.covers_echoes(chroma, grey):
            cause = "colour Doppler"
        cause = cause or self._of_time(before if is_video else None)
        return FrameQuality(cause is None, cause, repeated, (left, right))

    def _see_motion(self, levels: Map) -> None:
        if self._first is None:
            self._first = levels
        elif not self.has_moved:
            self.has_moved = cv2.norm(levels, self._first, cv2.NORM_L1) / levels.size > MOVED_ABOVE

    def _of_levels(
        self, samples: NDArray[np.uint8], levels: Map, lit: NDArray[np.bool_], touching: float
    ) -> RejectionCause | None:
        assert self._map is not None
        settings, shares = self._settings, self._map.area_shares
        mean = float(levels.ravel() @ shares)
        # No more of the sector can be white than this.
        if mean > WHITE_LEVEL * settings.saturated_share_above:
            white = self._map.mean_levels((samples >= WHITE_LEVEL).astype(np.uint8))
            if float(white.ravel() @ shares) > settings.saturated_share_above:
                return "saturated"
        if touching < settings.contact_share_below:
            # In air a probe shows its own ringing at the face and nothing below; without gain it shows nothing at all.
            rings = bool(lit[:, :DEEP_START].any(axis=1).mean() > 0.5)
            return "no contact" if rings or mean >= settings.dark_below else "too dark"
        return "too dark" if mean < settings.dark_below else None

    def _of_time(self, before: _Seen | None) -> RejectionCause | None:
        if self._still_frames > self._settings.frozen_after_frames:
            return "frozen"
        if before is None or self._before is None:
            return None
        return "too fast" if _likeness(self._before, before) < self._settings.frame_correlation_below else None


def _seen(samples: NDArray[np.uint8], broad: Map) -> _Seen:
    coarse = (broad @ POOLING_MATRIX.T).ravel()
    coarse -= coarse.sum() / np.float32(coarse.size)
    return _Seen(samples, coarse, math.sqrt(float(coarse @ coarse) / coarse.size))


def _banding(broad: Map) -> float:
    """How much the beams rise and fall together: the least correlation of a beam with the mean of all, but for one.

    Near 1 where sound only goes to and fro between the face and what lies before it. In tissue, and where eggs lie
    side by side, some beams go their own way. 0 where what they share is weak.

    broad : (COARSE_CELLS, DEPTH_COUNT) levels of so many broad beams
    """
    ripples = broad @ BANDING_FILTER
    shared = MEAN_WEIGHTS @ ripples
    strength = float(shared @ shared)
    if strength < MIN_BANDING_RMS**2 * shared.size:
        return 0.0
    strengths = np.sqrt(np.einsum("ij,ij->i", ripples, ripples) * np.float32(strength))
    return float(np.partition(ripples @ shared / np.maximum(strengths, 1.0), 1)[1])


def _likeness(one: _Seen, other: _Seen) -> float:
    """Correlation of two maps; 1 where either is too even to say anything of movement."""
    if min(one.deviation, other.deviation) < EVEN_STD_BELOW:
        return 1.0
    return float(one.coarse @ other.coarse) / (one.coarse.size * one.deviation * other.deviation)
