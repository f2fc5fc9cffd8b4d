"""Outlines of two eggs that overlap more than those of separate eggs can.

A plane cuts separate bodies into separate sections. Where two outlines overlap in frame after frame, by more than the
error of outlines, they are one body drawn twice or two fused eggs. On the phantoms of seeds 8001 and 9101, 60 animals
without fused eggs, the overlap in the required number of frames was at most 1.5 % of the smaller outline.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from models.ellipse import area, overlap
from pipeline.estimate.results import EggFinding
from pipeline.settings_tables import FlagSettings
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["crossing_outlines"]

_NumberedTrack = tuple[int, Track]
"""The number of an egg, and one of its tracks."""


def crossing_outlines(
    eggs: Sequence[EggFinding], clips: Sequence[ClipTracks], settings: FlagSettings
) -> tuple[tuple[int, int], ...]:
    """Pairs of numbers of shelled eggs whose outlines overlap in enough frames of a clip."""
    number_of = {
        (sighting.clip, sighting.track): egg.identity
        for egg in eggs
        if egg.stage != "follicle"
        for sighting in egg.sightings
    }
    pairs: set[tuple[int, int]] = set()
    for clip in clips:
        listed = [
            (number_of[clip.file, track.identity], track)
            for track in clip.tracks
            if (clip.file, track.identity) in number_of
        ]
        for (number, track), (other_number, other) in _in_view_together(listed):
            pair = min(number, other_number), max(number, other_number)
            if number != other_number and pair not in pairs and _cross(track, other, settings):
                pairs.add(pair)
    return tuple(sorted(pairs))


def _in_view_together(listed: Sequence[_NumberedTrack]) -> Iterator[tuple[_NumberedTrack, _NumberedTrack]]:
    """Pairs of tracks that may share a frame: in a long clip few do."""
    in_view: list[_NumberedTrack] = []
    for started in sorted(listed, key=lambda one: (int(one[1].frames[0]), one[1].identity)):
        in_view = [one for one in in_view if one[1].frames[-1] >= started[1].frames[0]]
        yield from ((one, started) for one in in_view)
        in_view.append(started)


def _cross(one: Track, other: Track, settings: FlagSettings) -> bool:
    crossing = [share for share in _overlap_shares(one, other) if share > settings.outline_overlap_share]
    return len(crossing) >= settings.outline_overlap_frames


def _overlap_shares(one: Track, other: Track) -> Iterator[float]:
    """The share of the smaller outline that lies in the other one, for each frame in which they are close."""
    _, rows, other_rows = np.intersect1d(one.frames, other.frames, assume_unique=True, return_indices=True)
    first, second = one.ellipses[rows], other.ellipses[other_rows]
    is_close = np.hypot(*(first[:, :2] - second[:, :2]).T) < first[:, 2] + second[:, 2]
    for ellipse, other_ellipse in zip(first[is_close], second[is_close], strict=True):
        yield _overlap_share(ellipse, other_ellipse)


def _overlap_share(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    intersection_over_union = float(overlap(one[None], other[None])[0, 0])
    areas = area(np.stack([one, other]))
    return float(intersection_over_union / (1 + intersection_over_union) * areas.sum() / areas.min())
