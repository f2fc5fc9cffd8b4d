"""Detections of one clip, frame by frame, to tracks.

A streaming multi-object tracker: damped constant velocity in addition to the picture's common shift, and an
assignment in two rounds, detections with high scores first, those with low scores only for tracks still unseen (the
order of Zhang et al., ByteTrack, ECCV 2022). Tracks begin and end by evidence: every sighting adds the log-odds of its
score, every miss takes some away (the sequential test of Wald, 1945).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.ellipse import contains, overlap, overlap_at_most
from pipeline.detect.detector import Detections
from pipeline.settings_tables import TrackSettings
from pipeline.track.association import FORBIDDEN, assign, association_costs, common_shift
from pipeline.track.live_track import LiveTrack, expected_at, is_different_egg
from pipeline.track.track_evidence import score_log_odds
from pipeline.track.tracks import Track

__all__ = ["ClipTracker", "FinishedTracks", "TrackUpdate"]

Floats = NDArray[np.float64]

# Natural log-odds lost with each frame in which a track is not seen (common practice, no source).
_MISS_EVIDENCE = 0.3
# Frames that a track may be out of sight: so many, and one more for each of so many sightings, up to the setting's
# maximum (common practice, no source).
_MINIMUM_GAP_FRAMES, _SIGHTINGS_PER_GAP_FRAME = 2, 2
_BOUND_ERROR = 0.01  # of the upper bound of an overlap; larger than it can be


@dataclass(frozen=True)
class TrackUpdate:
    """Which tracks the detections of one frame belong to.

    track_ids : (N,) int64, provisional id of each detection's track, 0 where it belongs to none
    is_best_view : (N,) bool, whether the detection is now the best picture of its track
    dropped : provisional ids of tracks rejected in this frame; whatever is kept for them is no longer needed
    """

    track_ids: NDArray[np.int64]
    is_best_view: NDArray[np.bool_]
    dropped: tuple[int, ...]

    @classmethod
    def of_no_detections(cls) -> TrackUpdate:
        """The update of a frame without detections."""
        return cls(np.zeros(0, np.int64), np.zeros(0, bool), ())


@dataclass(frozen=True)
class FinishedTracks:
    """tracks : confirmed ones, by first frame;  final_ids : from provisional to final id, confirmed tracks only"""

    tracks: tuple[Track, ...]
    final_ids: dict[int, int]


class ClipTracker:
    """Follows the objects of one clip.

    `update` takes every used frame in order, also those without detections; `skip_repeated_frame` takes a frame that
    repeats the one before.
    """

    def __init__(self, settings: TrackSettings) -> None:
        self._settings = settings
        self._live: list[LiveTrack] = []
        self._confirmed: list[LiveTrack] = []
        self._begun = 0
        self._updates = 0
        self._last_frame = -1

    def update(self, detections: Detections) -> TrackUpdate:
        """Link the detections of the next frame. Raises ValueError if frames are not in order."""
        self._advance(detections.frame)
        self._updates += 1
        count, settings = len(detections.scores), self._settings
        track_ids, is_best_view = np.zeros(count, np.int64), np.zeros(count, bool)
        evidence = score_log_odds(detections.scores, settings.neutral_score)
        usable = detections.scores >= settings.association_score
        usable &= ~_nested(detections, settings.nested_share)
        links, shift = self._link(detections, usable)
        is_new = usable & (detections.scores >= settings.new_track_score)
        is_new[[row for row, _ in links]] = False
        begun = [(row, self._begin_track()) for row in np.flatnonzero(is_new).tolist()]
        for row, track in links:
            is_best_view[row] = track.add_sighting(detections, row, shift, float(evidence[row]))
            track_ids[row] = track.provisional_id
        for row, track in begun:
            is_best_view[row] = track.add_sighting(detections, row, np.zeros(2), float(evidence[row]))
            track_ids[row] = track.provisional_id
        self._live += [track for _, track in begun]
        return TrackUpdate(track_ids, is_best_view, self._end_tracks(detections.frame, shift))

    def skip_repeated_frame(self, frame: int) -> None:
        """Pass over a frame that shows the same picture as the last: nothing is seen or missed, and nothing has moved.

        Raises ValueError if frames are not in order.
        """
        passed = frame - self._last_frame
        self._advance(frame)
        for track in self._live:
            track.last_frame += passed

    def finish(self) -> FinishedTracks:
        """The confirmed tracks of the clip; of a still image, those with a high enough score."""
        self._confirmed += [track for track in self._live if self._is_confirmed(track)]
        self._live = []
        ordered = sorted(self._confirmed, key=lambda track: (track.first_frame, track.provisional_id))
        tracks = tuple(track.finished(number) for number, track in enumerate(ordered, 1))
        return FinishedTracks(tracks, {track.provisional_id: number for number, track in enumerate(ordered, 1)})

    def _advance(self, frame: int) -> None:
        if frame <= self._last_frame:
            raise ValueError(f"frame {frame} came after frame {self._last_frame}; frames must follow in order")
        self._last_frame = frame

    def _begin_track(self) -> LiveTrack:
        self._begun += 1
        return LiveTrack(self._begun)

    def _link(self, detections: Detections, usable: NDArray[np.bool_]) -> tuple[list[tuple[int, LiveTrack]], Floats]:
        # (row of the detection, its track) for every link, and the common shift.
        if not self._live or not usable.any():
            return [], np.zeros(2)
        settings = self._settings
        expected = expected_at(detections.frame, self._live)
        high = usable & (detections.scores >= settings.first_association_score)
        shift = common_shift(expected.ellipses, detections.ellipses[high], settings.maximum_image_shift_px)
        shifted = expected.ellipses.copy()
        shifted[:, :2] += shift
        expected = replace(expected, ellipses=shifted)
        cost = association_costs(
            expected, detections.ellipses, detections.stage_probabilities, settings.motion_noise_px
        )
        cost[is_different_egg(self._live, expected, detections.ellipses, settings.motion_noise_px)] = FORBIDDEN
        links, unlinked = [], np.ones(len(self._live), bool)
        for candidates in (high, usable & ~high):
            rows, columns = np.flatnonzero(unlinked), np.flatnonzero(candidates)
            for i, j in zip(*assign(cost[np.ix_(rows, columns)]), strict=True):
                links.append((int(columns[j]), self._live[rows[i]]))
                unlinked[rows[i]] = False
        return links, shift

    def _end_tracks(self, frame: int, shift: Floats) -> tuple[int, ...]:
        """End the tracks that were out of sight for too long; returns the ids of those that are dropped."""
        dropped, live = [], []
        for track in self._live:
            gap = frame - track.last_frame
            if gap:
                track.evidence -= _MISS_EVIDENCE
                track.shift(shift)
            allowed = _MINIMUM_GAP_FRAMES + track.sightings // _SIGHTINGS_PER_GAP_FRAME
            if gap <= min(self._settings.maximum_gap_frames, allowed):
                live.append(track)
            elif self._is_confirmed(track):
                self._confirmed.append(track)
            else:
                dropped.append(track.provisional_id)
        self._live = live
        return tuple(dropped)

    def _is_confirmed(self, track: LiveTrack) -> bool:
        settings = self._settings
        if self._updates == 1:
            return track.first_score >= settings.still_image_score
        return track.sightings >= settings.confirm_sightings and track.evidence >= settings.confirm_log_odds


def _nested(detections: Detections, share: float) -> NDArray[np.bool_]:
    """(N,) whether a detection lies mostly inside one with a higher score, or contains one: no egg holds another."""
    count = len(detections.scores)
    nested = np.zeros(count, bool)
    if count < 2:
        return nested
    contains_centre = contains(detections.ellipses, detections.ellipses[:, :2])
    if np.count_nonzero(contains_centre) == count:  # each its own alone
        return nested
    # Only of one with a higher score, or of the earlier one, and areas of overlap are slow to compute.
    order, rank = np.argsort(-detections.scores, kind="stable"), np.empty(count, np.int64)
    rank[order] = np.arange(count)
    area = detections.ellipses[:, 2] * detections.ellipses[:, 3]
    both, least = area[:, None] + area[None], share * np.minimum(area[:, None], area[None])
    at_most = overlap_at_most(detections.ellipses, detections.ellipses) + _BOUND_ERROR
    possible = (rank[:, None] < rank[None]) & (_shared(at_most, both) > least)
    inside = _shared(overlap(detections.ellipses, detections.ellipses, possible), both) > least
    for row in order:
        if not nested[row]:
            nested |= inside[row]
    return nested


def _shared(iou: Floats, both: Floats) -> Floats:
    """The area of an intersection, from the intersection over union and the sum of both areas."""
    return np.asarray(iou / (1 + iou) * both)
