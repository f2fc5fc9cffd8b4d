"""Whether a frame can be used, judged from a few of its pixels so that it costs almost nothing.

The sector is read as a coarse map over beams and depths. A beam has contact if it returns echoes from below the first
quarter of the depth. Bone and shells near the skin also take contact from the beams behind them, which is correct here:
such beams show nothing that can be used.
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
from pipeline.settings_tables import IngestSettings

__all__ = ["FrameQuality", "FrameQualityAssessor"]

Map = NDArray[np.float32]


@dataclass(frozen=True)
class FrameThresholds:
    """Thresholds of the map; what a centre may change is in `IngestSettings`. Levels are grey levels, 0 to 255.

    deep_start : first depth cell below gel, skin and the ringing of the probe's face
    lit_above : how far an echo rises above the sector's black level
    dark_cell_rank : the black level is that of the cell with this rank from the darkest, a twentieth of all; the very
    darkest cells may lie partly outside the sector
    max_black_level : no display shows black as a brighter grey; a sector without a darker place has contact everywhere
    band_depths_end : the depth cells from ``deep_start`` to here are searched for bands parallel to the face; above
    them lie layers of skin, which are bands too
    band_cells : depth cells over which a band rises and falls
    min_banding_rms : root mean square of ripples shared by all beams; weaker ones are the attenuation of sound with
    depth. Haze that fades from 150 to nothing over the depth has up to 3.
    white_level : from here on a pixel is saturated
    ringing_share : share of the beams lit above ``deep_start`` from which a dark frame shows a probe in air
    coarse_cells : number of coarse cells to each side; in cells so large, speckle, which changes with every plane,
    averages out
    even_std_below : standard deviation of coarse cells in even tissue, where only the rest of speckle changes
    moved_above : mean change of the cells since the first frame, above which a film shows another picture. On generated
    pictures a moving probe makes 11 and more within 20 frames, and the coarsest coding of a frozen one up to 4.
    """

    deep_start: int = DEPTH_COUNT // 4
    lit_above: float = 10.0
    dark_cell_rank: int = BEAM_COUNT * DEPTH_COUNT // 20
    max_black_level: float = 40.0
    band_depths_end: int = 29
    band_cells: int = 7
    min_banding_rms: float = 5.0
    white_level: int = 254
    ringing_share: float = 0.5
    coarse_cells: int = 8
    even_std_below: float = 10.0
    moved_above: float = 5.0


_FRAME = FrameThresholds()


def _banding_filter() -> Map:
    """(DEPTH_COUNT, bands): takes a beam's levels to how far each band exceeds its neighbours, with a mean of zero."""
    each = np.eye(DEPTH_COUNT, dtype=np.float32)[:, _FRAME.deep_start : _FRAME.band_depths_end]
    ripples = each - np.asarray(cv2.blur(each, (_FRAME.band_cells, 1)))
    return np.asarray(ripples - ripples.mean(axis=1, keepdims=True), np.float32)


def _pooling_matrix() -> Map:
    """(coarse_cells, BEAM_COUNT), and as many depths: takes cells to the means of neighbouring cells."""
    cells = _FRAME.coarse_cells
    return np.repeat(np.eye(cells, dtype=np.float32), BEAM_COUNT // cells, axis=1) * np.float32(cells / BEAM_COUNT)


BANDING_FILTER, POOLING_MATRIX = _banding_filter(), _pooling_matrix()
HALF_BEAMS = BEAM_COUNT // 2
MEAN_WEIGHTS = np.full(_FRAME.coarse_cells, 1 / _FRAME.coarse_cells, np.float32)


@dataclass(frozen=True)
class FrameQuality:
    """usable : fit for detection;  rejection_cause : why not, None if it is usable

    repeated : shows what the frame before showed (a frozen screen, or a recording faster than the scanner). Such a
    frame counts as usable until the screen has been frozen for long, and the result for the frame before holds for it.
    contact : shares of the left and of the right half of the beams, as seen in the picture, that have contact
    """

    usable: bool
    rejection_cause: RejectionCause | None
    repeated: bool
    contact: tuple[float, float]


@dataclass(frozen=True)
class _FrameMap:
    """samples : as in `BeamMap`;  coarse : (coarse_cells**2,) levels minus their mean;  deviation : standard deviation
    of ``coarse``
    """

    samples: NDArray[np.uint8]
    coarse: Map
    deviation: float


class FrameQualityAssessor:
    """Judges the frames of one clip in order, by their sector alone, because a clock runs on while it is frozen.

    has_moved : whether any frame so far showed another picture than the first
    """

    def __init__(self, sector: Sector, settings: IngestSettings) -> None:
        self._settings = settings
        self._map = BeamMap(sector) if sector.mask.any() else None
        self._doppler = ColourDopplerDetector(sector)
        self._before: _FrameMap | None = None
        self._repeated_frames = 0
        self._first_levels: Map | None = None
        self.has_moved = False

    def assess(self, grey: NDArray[np.uint8], chroma: Chroma | None = None, *, is_video: bool = True) -> FrameQuality:
        """The quality of ``grey`` (H, W), which follows the frame that was assessed last.

        chroma : of the same frame;  is_video : the frame is part of a film, not a still
        """
        if self._map is None:
            return FrameQuality(False, "too dark", False, (0.0, 0.0))
        samples = self._map.sample(grey)
        levels = self._map.mean_levels(samples)
        self._watch_motion(levels)
        broad_beams = np.asarray(POOLING_MATRIX @ levels, np.float32)
        now, before = _frame_map(samples, broad_beams), self._before
        self._before = now
        change = None if before is None else cv2.norm(samples, before.samples, cv2.NORM_L1) / samples.size
        repeated = change is not None and change < self._settings.repeated_frame_change_below
        self._repeated_frames = self._repeated_frames + 1 if repeated else 0
        rank = _FRAME.dark_cell_rank
        black_level = min(float(np.partition(levels, rank, None)[rank]), _FRAME.max_black_level)
        lit = np.asarray(levels > black_level + _FRAME.lit_above)
        has_contact = np.asarray(lit[:, _FRAME.deep_start :].any(axis=1))
        left, right = (
            int(np.count_nonzero(half)) / HALF_BEAMS for half in (has_contact[:HALF_BEAMS], has_contact[HALF_BEAMS:])
        )
        cause = self._cause_in_levels(samples, levels, lit, (left + right) / 2)
        if cause is None and _banding(broad_beams) > self._settings.banding_correlation_above:
            cause = "no contact"
        if cause is None and chroma is not None and self._doppler.covers_echoes(chroma, grey):
            cause = "colour Doppler"
        cause = cause or self._cause_in_time(now, before if is_video else None)
        return FrameQuality(cause is None, cause, repeated, (left, right))

    def _watch_motion(self, levels: Map) -> None:
        if self._first_levels is None:
            self._first_levels = levels
        elif not self.has_moved:
            change = cv2.norm(levels, self._first_levels, cv2.NORM_L1) / levels.size
            self.has_moved = change > _FRAME.moved_above

    def _cause_in_levels(
        self, samples: NDArray[np.uint8], levels: Map, lit: NDArray[np.bool_], contact: float
    ) -> RejectionCause | None:
        assert self._map is not None
        settings, shares = self._settings, self._map.area_shares
        mean = float(levels.ravel() @ shares)
        # With a lower mean, no more of the sector can be white.
        if mean > _FRAME.white_level * settings.saturated_share_above:
            white = self._map.mean_levels((samples >= _FRAME.white_level).astype(np.uint8))
            if float(white.ravel() @ shares) > settings.saturated_share_above:
                return "saturated"
        if contact < settings.contact_share_below:
            # In air a probe shows the ringing of its own face and nothing below. Without gain it shows nothing at all.
            rings = bool(lit[:, : _FRAME.deep_start].any(axis=1).mean() > _FRAME.ringing_share)
            return "no contact" if rings or mean >= settings.dark_below else "too dark"
        return "too dark" if mean < settings.dark_below else None

    def _cause_in_time(self, now: _FrameMap, before: _FrameMap | None) -> RejectionCause | None:
        if self._repeated_frames > self._settings.frozen_after_frames:
            return "frozen"
        if before is None:
            return None
        return "too fast" if _correlation(now, before) < self._settings.frame_correlation_below else None


def _frame_map(samples: NDArray[np.uint8], broad_beams: Map) -> _FrameMap:
    coarse = (broad_beams @ POOLING_MATRIX.T).ravel()
    coarse -= coarse.sum() / np.float32(coarse.size)
    return _FrameMap(samples, coarse, math.sqrt(float(coarse @ coarse) / coarse.size))


def _banding(broad_beams: Map) -> float:
    """How much the beams rise and fall together: the second lowest correlation of a beam with the mean of all beams.

    It is near 1 where sound only travels between the face and what lies in front of it. In tissue, and where eggs lie
    next to each other, some beams differ. It is 0 where the shared ripples are weak.

    broad_beams : (coarse_cells, DEPTH_COUNT) mean levels of neighbouring beams
    """
    ripples = broad_beams @ BANDING_FILTER
    shared = MEAN_WEIGHTS @ ripples
    strength = float(shared @ shared)
    if strength < _FRAME.min_banding_rms**2 * shared.size:
        return 0.0
    strengths = np.sqrt(np.einsum("ij,ij->i", ripples, ripples) * np.float32(strength))
    return float(np.partition(ripples @ shared / np.maximum(strengths, 1.0), 1)[1])


def _correlation(one: _FrameMap, other: _FrameMap) -> float:
    """Correlation of two maps; 1 where either is too even to show motion."""
    if min(one.deviation, other.deviation) < _FRAME.even_std_below:
        return 1.0
    return float(one.coarse @ other.coarse) / (one.coarse.size * one.deviation * other.deviation)
