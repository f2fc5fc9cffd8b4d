"""The passes of one clip merged into one: which eggs are seen again after the probe turned back.

A turn is accepted if it is more likely than not (`turn_search`). The parts of the clip before and after it are merged
first, each in the same way, and then the second one is mapped onto the first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.by_kind import ByKind, rows_by_kind
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass
from pipeline.track.merging.egg_matching import best_pairs, shared_count
from pipeline.track.merging.observed_object import ObservedObject, merge_objects
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.same_egg_likelihood import seen_in_same_frame
from pipeline.track.merging.turn_search import (
    FrameRange,
    Turn,
    crossing_spans,
    find_turn,
    pass_ratios,
    seen_again,
    time_ratios,
)
from pipeline.track.probe_turns import ProbeTurn

__all__ = ["Sweep", "merge_passes"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sweep:
    """The distinct objects of one clip, each at its position on the first pass.

    low, high : range of positions, in frames of the first pass;  passes : those that were accepted, in order
    count_corrections : true number of objects minus those listed
    to_last, to_first : from positions on the first pass to those on the last, and back
    """

    objects: tuple[ObservedObject, ...]
    low: float
    high: float
    passes: tuple[Pass, ...]
    count_corrections: ByKind[CountDistribution]
    to_last: Callable[[Floats], Floats] = field(default=lambda positions: positions, repr=False)
    to_first: Callable[[Floats], Floats] = field(default=lambda positions: positions, repr=False)


def merge_passes(
    file: str,
    objects: Sequence[ObservedObject],
    low: float,
    high: float,
    settings: TrackSettings,
    visible_turns: Sequence[ProbeTurn] | None = None,
) -> Sweep:
    """Merge the passes of a clip, or of its part from frame ``low`` to ``high``.

    file : of the clip;  visible_turns : those that its pictures show, None where they were not searched for
    """
    ordered = sorted(objects, key=lambda one: (one.position, one.members))
    part = FrameRange(low, high)
    turn = find_turn(ordered, part, settings, visible_turns)
    if turn is not None and turn.probability >= 0.5:
        outbound = merge_passes(file, [ordered[i] for i in turn.before], low, turn.frame, settings, visible_turns)
        returning = merge_passes(file, [ordered[i] for i in turn.after], turn.frame, high, settings, visible_turns)
        return _merge_return(outbound, returning, turn, settings)
    corrections = ByKind(point_mass(0), point_mass(0))
    if turn is not None:
        # The turn is not accepted; if it is real after all, there are fewer eggs than listed.
        corrections = ByKind(
            *(
                mixture([(point_mass(0), 1 - turn.probability), (number.subtracted_from(0), turn.probability)])
                for number, _ in seen_again(ordered, turn, part, settings)
            )
        )
    return Sweep(tuple(ordered), low, high, (Pass.first(file, low, high),), corrections)


def _merge_return(outbound: Sweep, returning: Sweep, turn: Turn, settings: TrackSettings) -> Sweep:
    """The sweep before a turn and the one after it as one, at the positions of the first."""

    def to_outbound(positions: Floats) -> Floats:
        return outbound.to_first(turn.mapping.to_outbound(positions))

    returned = _moved_objects(returning.objects, to_outbound)
    ratios = _return_ratios(outbound, returning, returned, turn, settings)
    objects: list[ObservedObject] = list(outbound.objects)
    unpaired = set(range(len(returned)))
    corrections = []
    kinds = zip(
        rows_by_kind(outbound.objects),
        rows_by_kind(returned),
        outbound.count_corrections,
        returning.count_corrections,
        strict=True,
    )
    for rows, columns, outbound_correction, returning_correction in kinds:
        kind_ratios = ratios[np.ix_(rows, columns)]
        number, _ = shared_count(kind_ratios, settings.return_reseen_share, settings.reseen_prior_strength)
        pairs = best_pairs(kind_ratios, number.median)
        for i, j in pairs:
            objects[rows[i]] = merge_objects(objects[rows[i]], returned[columns[j]], settings)
            unpaired.discard(int(columns[j]))
        paired = len(pairs)
        own_correction = mixture(
            [(number.subtracted_from(paired), turn.probability), (point_mass(paired), 1 - turn.probability)]
        )
        corrections.append(own_correction.plus(outbound_correction).plus(returning_correction))
    objects += [returned[j] for j in sorted(unpaired)]
    limits = to_outbound(np.array([returning.low, returning.high])).tolist()
    return Sweep(
        objects=tuple(objects),
        low=min(outbound.low, *limits),
        high=max(outbound.high, *limits),
        passes=(*outbound.passes, *_moved_passes(returning.passes, to_outbound)),
        count_corrections=ByKind(*corrections),
        # From the first pass to the last one before the turn, to the same place after the turn, to the last one of all.
        to_last=lambda positions: returning.to_last(turn.mapping.to_return(outbound.to_last(positions))),
        to_first=lambda positions: to_outbound(returning.to_first(positions)),
    )


def _return_ratios(
    outbound: Sweep, returning: Sweep, returned: Sequence[ObservedObject], turn: Turn, settings: TrackSettings
) -> Floats:
    """(N, M) log-likelihood ratios between objects before the turn and after it. returned : moved to the first pass"""
    spans = np.sort(outbound.to_last(crossing_spans(outbound.objects)), axis=1)
    delay = turn.mapping.delay(spans, crossing_spans(returning.objects), outbound.low, returning.high)
    since_turn = np.abs(np.array([one.position for one in returning.objects]) - turn.frame)
    ratios = pass_ratios(outbound.objects, returned, settings)
    ratios = ratios + time_ratios(delay, since_turn[None], returning.high - turn.frame)
    return np.where(seen_in_same_frame(outbound.objects, returned), -np.inf, ratios)


def _moved_objects(
    objects: Sequence[ObservedObject], to_first_pass: Callable[[Floats], Floats]
) -> list[ObservedObject]:
    rows = [[one.position, one.start_position, one.end_position] for one in objects]
    moved = to_first_pass(np.array(rows).reshape(-1, 3)).tolist()
    return [one.moved_to(*row) for one, row in zip(objects, moved, strict=True)]


def _moved_passes(passes: Sequence[Pass], to_first_pass: Callable[[Floats], Floats]) -> list[Pass]:
    rows = [[one.start_position, one.end_position] for one in passes]
    moved = to_first_pass(np.array(rows).reshape(-1, 2)).tolist()
    return [replace(one, start_position=a, end_position=b) for one, (a, b) in zip(passes, moved, strict=True)]
