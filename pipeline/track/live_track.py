"""One track while its clip is still being read: its sightings so far, and what it predicts for the next frame."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections
from pipeline.track.association import Expected
from pipeline.track.tracks import Track, view_quality

__all__ = ["LiveTrack", "expected_at", "is_different_egg"]

Floats = NDArray[np.float64]

_COLUMNS = 11  # frame, ellipse (5), depth, stages (3), score


@dataclass(frozen=True)
class _MotionModel:
    """How a track's prediction follows its sightings. Gains are the weight of a sighting against the prediction.

    Common practice, no source.
    """

    velocity_damping: float = 0.8  # each frame
    velocity_gain: float = 0.3
    shape_gain: float = 0.6
    stage_gain: float = 0.3


@dataclass(frozen=True)
class _EggModel:
    """When a sighting near a track must be another egg. Lengths are geometric mean semi-axes.

    Common practice where nothing else is said, no source.
    """

    near_pole: float = 0.75  # an outline below this share of the track's largest is near the end of its egg ...
    unexpected_share: float = 0.3  # ... and one this large, as a share of it, where none should be left is another egg
    shrunk_share: float = 0.65  # once an egg has shrunk below this share of its largest section ...
    regrowth: float = 1.45  # ... one that grows by this factor again is another egg
    # What lies further away than this share of the last outline, beyond the unpredictable movement, is another egg,
    # because eggs do not overlap. On phantoms (seeds 9101, 13001, 13002) nine in ten eggs come back after a gap within
    # 0.4 mean semi-axes, and 19 in 20 others begin beyond 0.5.
    step_share: float = 0.3


_MOTION, _EGG = _MotionModel(), _EggModel()


class LiveTrack:
    """One track in progress.

    provisional_id : from 1, in the order in which tracks begin
    evidence : natural log-odds that it follows a real object
    last_frame : in which it was last seen; repeated frames after it count with it
    stages : (3,) expected probabilities of follicle, thin-shelled, calcified
    largest_px, smallest_since_px : geometric mean semi-axis at its largest, and at its smallest since then
    growth_px2 : by which the square of it grows each frame, smoothed
    """

    def __init__(self, provisional_id: int) -> None:
        self.provisional_id = provisional_id
        self.evidence = 0.0
        self.last_frame = -1
        self.stages = np.full(3, 1 / 3)
        self.largest_px = 0.0
        self.smallest_since_px = 0.0
        self.growth_px2 = 0.0
        self._rows = array("d")
        self._ellipse = np.zeros(5)
        self._velocity = np.zeros(2)
        self._best_quality = -1.0

    @property
    def sightings(self) -> int:
        return len(self._rows) // _COLUMNS

    @property
    def first_frame(self) -> float:
        return self._rows[0]

    @property
    def first_score(self) -> float:
        return self._rows[_COLUMNS - 1]

    @property
    def size_px(self) -> float:
        """Geometric mean semi-axis that is expected next."""
        return float(np.sqrt(self._ellipse[2] * self._ellipse[3]))

    def predict(self, frame: int) -> Floats:
        """(5,) the ellipse expected in a later frame, before the common shift of the picture."""
        gap, damping = frame - self.last_frame, _MOTION.velocity_damping
        ellipse = self._ellipse.copy()
        ellipse[:2] += self._velocity * damping * (1 - damping**gap) / (1 - damping)
        return ellipse

    def shift(self, shift: Floats) -> None:
        """Move with the picture in a frame in which the track was not seen. shift : (2,) px"""
        self._ellipse[:2] += shift

    def add_sighting(self, detections: Detections, row: int, shift: Floats, evidence: float) -> bool:
        """Take in a detection of the next frame; returns whether it is the best picture of the track so far.

        shift : (2,) px, common to the whole picture;  evidence : natural log-odds that the detection is real
        """
        ellipse, stages = detections.ellipses[row], detections.stage_probabilities[row]
        if self.sightings:
            self._follow(ellipse, stages, detections.frame - self.last_frame, shift)
        else:
            self._ellipse, self.stages = ellipse.copy(), stages.copy()
        if self.size_px >= self.largest_px:
            self.largest_px = self.smallest_since_px = self.size_px
        self.smallest_since_px = min(self.smallest_since_px, self.size_px)
        self.evidence += evidence
        self.last_frame = detections.frame
        score = float(detections.scores[row])
        self._rows.extend([detections.frame, *ellipse, float(detections.depths_px[row]), *stages, score])
        quality = float(view_quality(ellipse[None], np.array([score]))[0])
        is_best_view = quality > self._best_quality
        self._best_quality = max(quality, self._best_quality)
        return is_best_view

    def _follow(self, ellipse: Floats, stages: Floats, gap: int, shift: Floats) -> None:
        step = (ellipse[:2] - self._ellipse[:2] - shift) / gap
        self._velocity = (1 - _MOTION.velocity_gain) * self._velocity + _MOTION.velocity_gain * step
        log_axes = (1 - _MOTION.shape_gain) * np.log(self._ellipse[2:4]) + _MOTION.shape_gain * np.log(ellipse[2:4])
        before_px2 = self.size_px**2
        self._ellipse = np.array([*ellipse[:2], *np.exp(log_axes), ellipse[4]])
        growth_px2 = (self.size_px**2 - before_px2) / gap
        self.growth_px2 = (1 - _MOTION.velocity_gain) * self.growth_px2 + _MOTION.velocity_gain * growth_px2
        self.stages = (1 - _MOTION.stage_gain) * self.stages + _MOTION.stage_gain * stages

    def finished(self, identity: int) -> Track:
        """The track with its final id."""
        table = np.frombuffer(self._rows, dtype=np.float64).reshape(-1, _COLUMNS)
        return Track(
            identity=identity,
            frames=table[:, 0].astype(np.int64),
            ellipses=table[:, 1:6].copy(),
            depths_px=table[:, 6].copy(),
            stage_probabilities=table[:, 7:10].copy(),
            scores=table[:, 10].copy(),
        )


def expected_at(frame: int, tracks: Sequence[LiveTrack]) -> Expected:
    """What one or more tracks predict for a frame, before the common shift of the picture."""
    return Expected(
        ellipses=np.stack([track.predict(frame) for track in tracks]),
        stages=np.stack([track.stages for track in tracks]),
        gaps=np.array([frame - track.last_frame for track in tracks]),
    )


def is_different_egg(
    tracks: Sequence[LiveTrack], expected: Expected, found: Floats, motion_noise_px: float
) -> NDArray[np.bool_]:
    """(L, N) whether a found ellipse (N, 5) cannot be the egg of a track.

    Eggs lie one behind the other: where an outline shrank and should be gone by now, but one is there, the plane has
    passed from one pole to another egg. If the probe turned back there instead, merging joins the two again. The
    squared size is what shrinks evenly in time towards the pole of a sphere.
    """
    last = np.array([track.size_px for track in tracks])
    largest = np.array([track.largest_px for track in tracks])
    smallest = np.array([track.smallest_since_px for track in tracks])
    shrinking = np.array([min(track.growth_px2, 0.0) for track in tracks])
    gaps = expected.gaps
    found_px2 = found[:, 2] * found[:, 3]
    left_px2 = np.maximum(last**2 + shrinking * gaps, 0.0) + (_EGG.unexpected_share * largest) ** 2
    step = np.linalg.norm(expected.ellipses[:, None, :2] - found[None, :, :2], axis=2)
    is_too_far = step > (motion_noise_px + _EGG.step_share * last)[:, None]
    is_too_large = found_px2[None] > left_px2[:, None]
    is_too_large &= (last < _EGG.near_pole * largest)[:, None] & (gaps > 1)[:, None]
    is_regrown = found_px2[None] > (_EGG.regrowth * smallest[:, None]) ** 2
    is_regrown &= (smallest < _EGG.shrunk_share * largest)[:, None]
    return np.asarray(is_too_far | is_too_large | is_regrown)
