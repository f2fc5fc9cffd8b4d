"""Outlines of two eggs that run into each other, as those of two separate eggs cannot.

A plane cuts bodies that lie beside each other into sections that lie beside each other. Where two outlines overlap in
frame after frame, beyond what outlines are drawn wrongly by, there is one body drawn twice or one that is no single
egg: two that are fused. On the phantoms of seeds 8001 and 9101, 60 animals without any such, the frames that are asked
for overlapped by 1.5 % of the smaller outline at the most.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from models.ellipse import area, overlap
from pipeline.estimate.results import EggFinding
from pipeline.settings import FlagSettings
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["crossing_outlines"]

# The egg's number, and a track of it.
_Listed = tuple[int, Track]


def crossing_outlines(
    eggs: Sequence[EggFinding], clips: Sequence[ClipTracks], settings: FlagSettings
) -> tuple[tuple[int, int], ...]:
    """Numbers of the shelled eggs, two and two, whose outlines cross in enough frames of a clip."""
    found: set[tuple[int, int]] = set()
    shelled = {
        (sighting.clip, sighting.track): egg.identity
        for egg in eggs
        if egg.stage != "follicle"
        for sighting in egg.sightings
    }
    for clip in clips:
        listed = [
            (shelled[clip.file, one.identity], one) for one in clip.tracks if (clip.file, one.identity) in shelled
        ]
        for (number, one), (other_number, other) in _in_view_together(listed):
            pair = min(number, other_number), max(number, other_number)
            if number != other_number and pair not in found and _cross(one, other, settings):
                found.add(pair)
    return tuple(sorted(found))


def _in_view_together(listed: Sequence[_Listed]) -> Iterator[tuple[_Listed, _Listed]]:
    # In a long clip few tracks share a frame: those that a track may share one with end no earlier than it begins.
    in_view: list[_Listed] = []
    for begun in sorted(listed, key=lambda one: (int(one[1].frames[0]), one[1].identity)):
        in_view = [one for one in in_view if one[1].frames[-1] >= begun[1].frames[0]]
        yield from ((one, begun) for one in in_view)
        in_view.append(begun)


def _cross(one: Track, other: Track, settings: FlagSettings) -> bool:
    shares = [share for share in _shared_parts(one, other) if share > settings.outline_overlap_share]
    return len(shares) >= settings.outline_overlap_frames


def _shared_parts(one: Track, other: Track) -> Iterator[float]:
    """Of each frame that has both, the part of the smaller outline that lies in the other."""
    _, rows, other_rows = np.intersect1d(one.frames, other.frames, assume_unique=True, return_indices=True)
    first, second = one.ellipses[rows], other.ellipses[other_rows]
    near = np.hypot(*(first[:, :2] - second[:, :2]).T) < first[:, 2] + second[:, 2]
    for row, other_row in zip(first[near], second[near], strict=True):
        yield _part_of_smaller(row, other_row)


def _part_of_smaller(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    of_union = float(overlap(one[None], other[None])[0, 0])
    areas = area(np.stack([one, other]))
    return float(of_union / (1 + of_union) * areas.sum() / areas.min())
