"""Detections of one clip, frame by frame, to tracks.

A streaming multi-object tracker: damped constant velocity on top of the picture's common shake, and an
assignment in two rounds, sure detections first, faint ones only for tracks still unseen (the order of
Zhang et al., ByteTrack, ECCV 2022). Births and deaths go by evidence: every sighting adds the log-odds of its
score, every miss takes some away (the sequential test of Wald, 1945).
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.ellipse import contains, overlap
from pipeline.detect.detector import Detections
from pipeline.settings import TrackSettings
from pipeline.track.association import FORBIDDEN, assign, association_costs, common_shift
from pipeline.track.track_evidence import score_log_odds
from pipeline.track.tracks import Track, view_quality

__all__ = ["ClipTracker", "FinishedTracks", "TrackUpdate"]

Floats = NDArray[np.float64]

_DAMPING = 0.8  # of the velocity, each frame
_VELOCITY_GAIN, _SHAPE_GAIN, _STAGE_GAIN = 0.3, 0.6, 0.3  # of each sighting against what was expected
_MISS_EVIDENCE = 0.3  # log-odds lost with each frame in which a track is not seen
# An outline below this share of the track's largest is near the end of its egg, not in the midst of it ...
_NEAR_POLE = 0.75
# ... a section this large, as a share of the largest, where none should be left, is another egg's ...
_SURPRISE = 0.3
# ... and so is one that grows again by this factor once the egg had shrunk below this share.
_REGROWTH, _SHRUNK = 1.45, 0.65
# What lies further away than this share of the last outline, beyond the unforeseen, is another egg at any time: eggs do
# not overlap. On phantoms (seeds 9101, 13001, 13002) nine in ten eggs come back after a gap within 0.4 mean semi-axes,
# and 19 in 20 others begin beyond 0.5.
_STEP_SHARE = 0.3
_COLUMNS = 11  # frame, ellipse (5), depth, stages (3), score


@dataclass(frozen=True)
class TrackUpdate:
    """What one frame's detections are to the tracks.

    track_ids : (N,) int64, provisional identity of each detection's track, 0 where it belongs to none
    is_best_view : (N,) bool, whether the detection is now the best picture of its track
    dropped : provisional identities given up in this frame; pictures kept for them are of no use
    """

    track_ids: NDArray[np.int64]
    is_best_view: NDArray[np.bool_]
    dropped: tuple[int, ...]


@dataclass(frozen=True)
class FinishedTracks:
    """tracks : by first frame;  renumbering : provisional to final identity, confirmed tracks only."""

    tracks: tuple[Track, ...]
    renumbering: dict[int, int]


class _Live:
    """One track in the making: its sightings as a flat row of numbers, and what to expect next."""

    def __init__(self, identity: int) -> None:
        self.identity = identity
        self.rows = array("d")
        self.evidence = 0.0
        self.last_frame = -1
        self.expected = np.zeros(5)
        self.velocity = np.zeros(2)
        self.stages = np.full(3, 1 / 3)
        self.largest_px = 0.0
        self.smallest_since_px = 0.0
        self.growth_px2 = 0.0
        self.best_worth = -1.0

    @property
    def sightings(self) -> int:
        return len(self.rows) // _COLUMNS

    def predicted(self, frame: int) -> Floats:
        gap = frame - self.last_frame
        travelled = self.velocity * _DAMPING * (1 - _DAMPING**gap) / (1 - _DAMPING)
        expected = self.expected.copy()
        expected[:2] += travelled
        return expected

    def see(self, frame: int, detections: Detections, row: int, shift: Floats, evidence: float) -> bool:
        """Take a sighting in; whether it is the best picture so far."""
        ellipse, stages = detections.ellipses[row], detections.stage_probabilities[row]
        score = float(detections.scores[row])
        if self.sightings:
            residual = ellipse[:2] - self.expected[:2] - shift
            step = residual / (frame - self.last_frame)
            self.velocity = (1 - _VELOCITY_GAIN) * self.velocity + _VELOCITY_GAIN * step
            axes = np.exp((1 - _SHAPE_GAIN) * np.log(self.expected[2:4]) + _SHAPE_GAIN * np.log(ellipse[2:4]))
            before = self.size_px**2
            self.expected = np.array([*ellipse[:2], *axes, ellipse[4]])
            growth = (self.size_px**2 - before) / (frame - self.last_frame)
            self.growth_px2 = (1 - _VELOCITY_GAIN) * self.growth_px2 + _VELOCITY_GAIN * growth
            self.stages = (1 - _STAGE_GAIN) * self.stages + _STAGE_GAIN * stages
        else:
            self.expected, self.stages = ellipse.copy(), stages.copy()
        if self.size_px >= self.largest_px:
            self.largest_px = self.smallest_since_px = self.size_px
        self.smallest_since_px = min(self.smallest_since_px, self.size_px)
        self.evidence += evidence
        self.last_frame = frame
        self.rows.extend([frame, *ellipse, float(detections.depths_px[row]), *stages, score])
        worth = float(view_quality(ellipse[None], np.array([score]))[0])
        is_best_view = worth > self.best_worth
        self.best_worth = max(worth, self.best_worth)
        return is_best_view

    @property
    def size_px(self) -> float:
        return float(np.sqrt(self.expected[2] * self.expected[3]))

    def finished(self, identity: int) -> Track:
        table = np.frombuffer(self.rows, dtype=np.float64).reshape(-1, _COLUMNS)
        return Track(
            identity=identity,
            frames=table[:, 0].astype(np.int64),
            ellipses=table[:, 1:6].copy(),
            depths_px=table[:, 6].copy(),
            stage_probabilities=table[:, 7:10].copy(),
            scores=table[:, 10].copy(),
        )


class ClipTracker:
    """Follows the objects of one clip; give it every used frame in order, also those without detections.

    A frame that repeats the one before is held instead.
    """

    def __init__(self, settings: TrackSettings) -> None:
        self._settings = settings
        self._live: list[_Live] = []
        self._confirmed: list[_Live] = []
        self._born = 0
        self._updates = 0
        self._last_frame = -1

    def update(self, detections: Detections) -> TrackUpdate:
        """Link the detections of the next frame. Raises ValueError if frames run backwards."""
        frame = detections.frame
        if frame <= self._last_frame:
            raise ValueError(f"frame {frame} came after frame {self._last_frame}; frames must follow in order")
        self._last_frame = frame
        self._updates += 1
        count = len(detections.scores)
        track_ids, is_best_view = np.zeros(count, np.int64), np.zeros(count, bool)
        evidence = score_log_odds(detections.scores, self._settings.neutral_score)
        own = detections.scores >= self._settings.association_score
        own &= ~_nested(detections, self._settings.nested_share)
        links, shift = self._links(detections, own)
        for row, live in links:
            is_best_view[row] = live.see(frame, detections, row, shift, float(evidence[row]))
            track_ids[row] = live.identity
        newborn = own & (track_ids == 0) & (detections.scores >= self._settings.new_track_score)
        for row in np.flatnonzero(newborn).tolist():
            self._born += 1
            live = _Live(self._born)
            is_best_view[row] = live.see(frame, detections, row, np.zeros(2), float(evidence[row]))
            track_ids[row] = live.identity
            self._live.append(live)
        return TrackUpdate(track_ids, is_best_view, self._bury(frame, shift))

    def skip_repeated_frame(self, frame: int) -> None:
        """Let a frame pass that shows what the last one did: nothing is seen or missed in it, and nothing has moved.

        Raises ValueError if frames run backwards.
        """
        passed = frame - self._last_frame
        if passed <= 0:
            raise ValueError(f"frame {frame} came after frame {self._last_frame}; frames must follow in order")
        for live in self._live:
            live.last_frame += passed
        self._last_frame = frame

    def finish(self) -> FinishedTracks:
        """The confirmed tracks of the clip; of a still, those seen surely."""
        self._confirmed += [live for live in self._live if self._is_confirmed(live)]
        self._live = []
        ordered = sorted(self._confirmed, key=lambda live: (live.rows[0], live.identity))
        tracks = tuple(live.finished(number) for number, live in enumerate(ordered, 1))
        return FinishedTracks(tracks, {live.identity: number for number, live in enumerate(ordered, 1)})

    def _links(self, detections: Detections, own: NDArray[np.bool_]) -> tuple[list[tuple[int, _Live]], Floats]:
        # (row of the detection, its track) for every link, and the common shift.
        if not self._live or not own.any():
            return [], np.zeros(2)
        expected = np.stack([live.predicted(detections.frame) for live in self._live])
        gaps = np.array([detections.frame - live.last_frame for live in self._live])
        sure = own & (detections.scores >= self._settings.first_association_score)
        shift = common_shift(expected, detections.ellipses[sure], self._settings.maximum_image_shift_px)
        expected[:, :2] += shift
        cost = association_costs(
            expected,
            np.stack([live.stages for live in self._live]),
            gaps,
            detections.ellipses,
            detections.stage_probabilities,
            self._settings.motion_noise_px,
        )
        cost[self._another_egg(expected, gaps, detections.ellipses)] = FORBIDDEN
        links, free = [], np.ones(len(self._live), bool)
        for wanted in (sure, own & ~sure):
            rows, columns = np.flatnonzero(free), np.flatnonzero(wanted)
            for i, j in zip(*assign(cost[np.ix_(rows, columns)]), strict=True):
                links.append((int(columns[j]), self._live[rows[i]]))
                free[rows[i]] = False
        return links, shift

    def _another_egg(self, expected: Floats, gaps: NDArray[np.int64], found: Floats) -> NDArray[np.bool_]:
        # (L, N) Eggs lie one behind the other: where an outline shrank, should be gone by now, and yet one is
        # there, the plane passed from pole to pole. Should the hand have turned there instead, merging joins
        # the two again. Squared size is what shrinks evenly in time towards the pole of a sphere.
        last = np.array([live.size_px for live in self._live])
        largest = np.array([live.largest_px for live in self._live])
        smallest = np.array([live.smallest_since_px for live in self._live])
        shrinking = np.array([min(live.growth_px2, 0.0) for live in self._live])
        size2 = found[:, 2] * found[:, 3]
        left = np.maximum(last**2 + shrinking * gaps, 0.0) + (_SURPRISE * largest) ** 2
        step = np.linalg.norm(expected[:, None, :2] - found[None, :, :2], axis=2)
        unforeseen = self._settings.motion_noise_px + _STEP_SHARE * last
        too_large = (last < _NEAR_POLE * largest)[:, None] & (size2[None] > left[:, None]) & (gaps > 1)[:, None]
        regrown = (smallest < _SHRUNK * largest)[:, None] & (size2[None] > (_REGROWTH * smallest[:, None]) ** 2)
        return np.asarray((step > unforeseen[:, None]) | too_large | regrown)

    def _bury(self, frame: int, shift: Floats) -> tuple[int, ...]:
        dropped, living = [], []
        for live in self._live:
            gap = frame - live.last_frame
            if gap:
                live.evidence -= _MISS_EVIDENCE
                live.expected[:2] += shift
            if gap <= min(self._settings.maximum_gap_frames, 2 + live.sightings // 2):
                living.append(live)
            elif self._is_confirmed(live):
                self._confirmed.append(live)
            else:
                dropped.append(live.identity)
        self._live = living
        return tuple(dropped)

    def _is_confirmed(self, live: _Live) -> bool:
        settings = self._settings
        if self._updates == 1:
            return live.rows[_COLUMNS - 1] >= settings.still_image_score
        return live.sightings >= settings.confirm_sightings and live.evidence >= settings.confirm_log_odds


def _nested(detections: Detections, share: float) -> NDArray[np.bool_]:
    # (N,) whether a detection lies mostly inside a surer one, or a surer one in it: no egg holds another.
    count = len(detections.scores)
    nested = np.zeros(count, bool)
    if count < 2:
        return nested
    area = detections.ellipses[:, 2] * detections.ellipses[:, 3]
    held = contains(detections.ellipses, detections.ellipses[:, :2])
    if not (held & ~np.eye(count, dtype=bool)).any():
        return nested
    union = overlap(detections.ellipses, detections.ellipses)
    shared = union / (1 + union) * (area[:, None] + area[None])
    inside = shared > share * np.minimum(area[:, None], area[None])
    for row in np.argsort(-detections.scores, kind="stable"):
        if not nested[row]:
            weaker = detections.scores < detections.scores[row]
            equals = (detections.scores == detections.scores[row]) & (np.arange(count) > row)
            nested |= inside[row] & (weaker | equals)
    return nested
