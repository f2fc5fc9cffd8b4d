"""Parts of track segments: what two sets of segments share, and what is left of one without the other."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.people.answers import TrackSegment

__all__ = ["common_parts", "remaining_parts"]


def common_parts(segments: Sequence[TrackSegment], chosen: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
    """The parts of the segments that are also in the chosen ones."""
    return tuple(
        segment.model_copy(update={"first": max(segment.first, one.first), "last": min(segment.last, one.last)})
        for segment in segments
        for one in chosen
        if segment.shared_frame_count(one)
    )


def remaining_parts(segments: Sequence[TrackSegment], chosen: Sequence[TrackSegment]) -> tuple[TrackSegment, ...]:
    """The parts of the segments that are in none of the chosen ones."""
    left = list(segments)
    for one in chosen:
        parts: list[TrackSegment] = []
        for segment in left:
            if not segment.shared_frame_count(one):
                parts.append(segment)
                continue
            ends = ((segment.first, one.first - 1), (one.last + 1, segment.last))
            parts += [segment.model_copy(update={"first": begin, "last": end}) for begin, end in ends if begin <= end]
        left = parts
    return tuple(left)
