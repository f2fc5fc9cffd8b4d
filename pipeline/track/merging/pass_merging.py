"""One clip's sweep, unfolded: where the hand turned, and which eggs were met again on the way back.

After a turn the eggs come again in reverse order. Where the pictures were looked at they tell which frame shows which
place again (`turns`), and the eggs that are met there speak for or against it. Otherwise an egg crossed at p comes
near T + c (T - p), c being how much slower the hand went back: every pair of like objects proposes a turn T, tried
at several paces. A turn is believed if the pairs that it explains outweigh its prior.
Sweeps with several turns are split at the best one, and each part is unfolded likewise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass
from pipeline.track.merging.egg_matching import best_pairs, shared_count
from pipeline.track.merging.observed_object import ObservedObject, merge_objects
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.same_egg_likelihood import (
    object_positions,
    place_ratios,
    seen_in_same_frame,
    size_ratios,
    stage_ratios,
)
from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.turn_mapping import TurnMapping

__all__ = ["Sweep", "merge_passes"]

Floats = NDArray[np.float64]

_CELL = 8.0  # frames; turns are told apart this finely
_PACES = (0.6, 0.77, 1.0, 1.3, 1.67)  # of the way back, in frames there to frames back
_TURN_SPREAD = 5.0  # frames; how exactly an egg comes back at the foretold time ...
_PACE_SPREAD = 0.06  # ... plus this share of the time since the turn, since hands change pace
_PLACE_SHARE = 0.6  # of the typical mean semi-axis: how exactly it comes back at the same place
_PROPOSALS = 24


@dataclass(frozen=True)
class Sweep:
    """The distinct objects of one clip, each at its position on the first pass.

    low, high : ends of the first pass's axis, frames;  passes : those that are believed, in order
    to_last, to_first : positions on the first pass to those on the last, and back
    count_corrections : true number of objects less those listed
    """

    objects: tuple[ObservedObject, ...]
    low: float
    high: float
    passes: tuple[Pass, ...]
    count_corrections: ByKind[CountDistribution]
    to_last: Callable[[Floats], Floats] = field(default=lambda positions: positions, repr=False)
    to_first: Callable[[Floats], Floats] = field(default=lambda positions: positions, repr=False)


@dataclass(frozen=True)
class _Turn:
    frame: float
    course: TurnMapping
    before: NDArray[np.int64]
    after: NDArray[np.int64]
    ratios: Floats  # (N, N) with the foretold time weighed in
    probability: float


def merge_passes(
    file: str,
    objects: Sequence[ObservedObject],
    low: float,
    high: float,
    settings: TrackSettings,
    seen: Sequence[ProbeTurn] | None = None,
) -> Sweep:
    """Unfold the part of a clip from frame ``low`` to ``high``.

    file : of the clip;  seen : the turns that its pictures show; None where they were not looked at
    """
    ordered = sorted(objects, key=lambda one: (one.position, one.members))
    alone = (Pass.first(file, low, high),)
    turn = _best_turn(ordered, low, high, settings, seen)
    if turn is None:
        return Sweep(tuple(ordered), low, high, alone, ByKind(shelled=point_mass(0), follicles=point_mass(0)))
    if turn.probability < 0.5:
        # Not believed, yet if it is true after all, there are fewer eggs than listed.
        follicles, shelled = (
            mixture([(point_mass(0), 1 - turn.probability), (number.subtracted_from(0), turn.probability)])
            for number, _ in _returned(ordered, turn, low, high, settings)
        )
        return Sweep(tuple(ordered), low, high, alone, ByKind(shelled=shelled, follicles=follicles))
    there = merge_passes(file, [ordered[i] for i in turn.before], low, turn.frame, settings, seen)
    back = merge_passes(file, [ordered[i] for i in turn.after], turn.frame, high, settings, seen)
    return _folded_together(there, back, turn, settings)


def _folded_together(there: Sweep, back: Sweep, turn: _Turn, settings: TrackSettings) -> Sweep:
    def mirrored(positions: Floats) -> Floats:
        return there.to_first(turn.course.to_outbound(positions))

    crossed = mirrored(
        np.array([[one.position, one.start_position, one.end_position] for one in back.objects]).reshape(-1, 3)
    )
    returned = [
        one.moved_to(p, min(a, b), max(a, b)) for one, (p, a, b) in zip(back.objects, crossed.tolist(), strict=True)
    ]
    ratios = _likeness(there.objects, returned, settings)
    spans = np.sort(there.to_last(_spans(there.objects)), axis=1)
    late = turn.course.delay(spans, _spans(back.objects), there.low, back.high)
    away = np.array([one.position for one in back.objects]) - turn.frame
    ratios = ratios + _time_ratios(late, np.abs(away)[None], back.high - turn.frame)
    ratios = np.where(seen_in_same_frame(there.objects, returned), -np.inf, ratios)
    objects: list[ObservedObject] = list(there.objects)
    unmatched = set(range(len(returned)))
    corrections: dict[bool, CountDistribution] = {}
    for kind in (False, True):
        rows = _of_kind(there.objects, kind)
        columns = _of_kind(returned, kind)
        part = ratios[np.ix_(rows, columns)]
        number, _ = shared_count(part, settings.return_reseen_share, settings.reseen_prior_strength)
        pairs = best_pairs(part, number.median)
        for i, j in pairs:
            objects[rows[i]] = merge_objects(objects[rows[i]], returned[columns[j]], settings)
            unmatched.discard(int(columns[j]))
        listed = len(pairs)
        merged = mixture(
            [(number.subtracted_from(listed), turn.probability), (point_mass(listed), 1 - turn.probability)]
        )
        corrections[kind] = merged.plus(there.count_corrections.of(shelled=kind)).plus(
            back.count_corrections.of(shelled=kind)
        )
    objects += [returned[j] for j in sorted(unmatched)]
    ends = mirrored(np.array([back.low, back.high])).tolist()
    begin = mirrored(np.array([one.start_position for one in back.passes])).tolist()
    end = mirrored(np.array([one.end_position for one in back.passes])).tolist()
    came_back = [
        replace(one, start_position=a, end_position=b) for one, a, b in zip(back.passes, begin, end, strict=True)
    ]
    return Sweep(
        objects=tuple(objects),
        low=min(there.low, *ends),
        high=max(there.high, *ends),
        passes=(*there.passes, *came_back),
        count_corrections=ByKind(shelled=corrections[True], follicles=corrections[False]),
        # First pass of there, its last pass, the same place after the turn, last pass of back; and the whole way home.
        to_last=lambda positions: back.to_last(turn.course.to_return(there.to_last(positions))),
        to_first=lambda positions: mirrored(back.to_first(positions)),
    )


def _best_turn(
    ordered: Sequence[ObservedObject],
    low: float,
    high: float,
    settings: TrackSettings,
    seen: Sequence[ProbeTurn] | None,
) -> _Turn | None:
    if len(ordered) < 2:
        return None
    likeness = _likeness(ordered, ordered, settings)
    likeness = np.where(seen_in_same_frame(ordered, ordered), -np.inf, likeness)
    if seen is None:
        return _foretold_turn(ordered, likeness, low, high, settings)
    inside = [turn for turn in seen if low < turn.frame < high]
    if not inside:
        return None
    surest = max(inside, key=lambda turn: turn.log_odds)
    turn, evidence = _tried(
        surest.frame, TurnMapping(surest.before, surest.after), ordered, likeness, low, high, settings
    )
    if turn is None:
        return None
    return replace(turn, probability=_probability(surest.log_odds + evidence))


def _foretold_turn(
    ordered: Sequence[ObservedObject], likeness: Floats, low: float, high: float, settings: TrackSettings
) -> _Turn | None:
    """The turn that explains most of what is met again, from the tracks alone."""
    positions = np.array([one.position for one in ordered])
    rows, columns = np.nonzero(np.triu(likeness > 0, 1))
    if not len(rows):
        return None
    likeliest = np.argsort(-likeness[rows, columns], kind="stable")[:_PROPOSALS]
    cells = np.unique(np.round(_turns_between(positions[rows], positions[columns])[likeliest] / _CELL)) * _CELL
    evidences: list[float] = []
    best: _Turn | None = None  # of all turns tried only the best is kept: each holds a matrix of all pairs
    for frame in cells.tolist():
        for pace in _PACES:
            turn, evidence = _tried(frame, TurnMapping.at_pace(frame, pace), ordered, likeness, low, high, settings)
            if turn is None:
                continue
            if best is None or evidence > max(evidences):
                best = turn
            evidences.append(evidence)
    if best is None:
        return None
    # Every cell of the clip may hold the turn, at any pace; those that no pair proposes explain nothing.
    span = max(high - low, _CELL)
    prior = np.log(settings.return_probability / (1 - settings.return_probability))
    odds = prior - np.log(max(len(_PACES) * span / _CELL, len(evidences))) + np.logaddexp.reduce(evidences)
    return replace(best, probability=_probability(odds))


def _tried(
    frame: float,
    course: TurnMapping,
    ordered: Sequence[ObservedObject],
    likeness: Floats,
    low: float,
    high: float,
    settings: TrackSettings,
) -> tuple[_Turn | None, float]:
    """A turn with what it explains, and the log-evidence for it; none where nothing lies before or after it."""
    positions = np.array([one.position for one in ordered])
    before, after = np.flatnonzero(positions < frame), np.flatnonzero(positions >= frame)
    if not len(before) or not len(after):
        return None, 0.0
    spans = _spans(ordered)
    late = course.delay(spans, spans, low, high)
    ratios = likeness + _time_ratios(late, np.abs(positions - frame)[None], high - frame)
    turn = _Turn(frame, course, before, after, ratios, 0.0)
    return turn, sum(evidence for _, evidence in _returned(ordered, turn, low, high, settings))


def _probability(log_odds: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(log_odds, -30, 30))))


def _turns_between(first: Floats, second: Floats) -> Floats:
    """(P, paces) the frames of turning that pairs of crossings (P,) propose, one at every pace."""
    early, late = np.minimum(first, second)[:, None], np.maximum(first, second)[:, None]
    paces = np.array(_PACES)[None]
    return np.asarray((late + paces * early) / (1 + paces))


def _spans(side: Sequence[ObservedObject]) -> Floats:
    # (N, 2) from where to where along the sweep.
    return np.array([[one.start_position, one.end_position] for one in side]).reshape(-1, 2)


def _time_ratios(late: Floats, away: Floats, room: float) -> Floats:
    # late : frames after the foretold time;  away : from the turn to the crossing after it.
    # A different egg would be crossed anywhere in the room after the turn.
    spread = _TURN_SPREAD + _PACE_SPREAD * away
    same = -0.5 * (late / spread) ** 2 - np.log(spread * np.sqrt(2 * np.pi))
    return np.asarray(same + np.log(max(room, 4 * _TURN_SPREAD)))


def _returned(
    ordered: Sequence[ObservedObject], turn: _Turn, low: float, high: float, settings: TrackSettings
) -> list[tuple[CountDistribution, float]]:
    """How many are met again after the turn, and the log-evidence for it; follicles and shelled eggs apart.

    All that lie where both passes went should be, so eggs missing on either pass speak against the turn. Those in
    view while the hand turned are met once, for they do not leave the picture in between.
    """
    shelled = np.array([one.is_shelled for one in ordered], bool)
    positions = np.array([one.position for one in ordered])
    before_turn = positions < turn.frame
    mirrored = np.where(before_turn, turn.course.to_return(positions), turn.course.to_outbound(positions))
    at_turn = [one.frames[0] - _TURN_SPREAD <= turn.frame <= one.frames[-1] + _TURN_SPREAD for one in ordered]
    passed_twice = (mirrored >= low) & (mirrored <= high) & ~np.array(at_turn, dtype=bool)
    found = []
    for kind in (False, True):
        before, after = (side[shelled[side] == kind] for side in (turn.before, turn.after))
        expected = max(int(passed_twice[before].sum()), int(passed_twice[after].sum()))
        part = turn.ratios[np.ix_(before, after)]
        found.append(shared_count(part, settings.return_reseen_share, settings.reseen_prior_strength, expected))
    return found


def _likeness(first: Sequence[ObservedObject], second: Sequence[ObservedObject], settings: TrackSettings) -> Floats:
    if not first or not second:
        return np.zeros((len(first), len(second)))
    spread = _PLACE_SHARE * float(np.median([one.size for one in [*first, *second]]))
    return (
        place_ratios(object_positions(first), object_positions(second), spread)
        + size_ratios(first, second, settings.size_log_sd)
        + stage_ratios(first, second)
    )


def _of_kind(side: Sequence[ObservedObject], shelled: bool) -> NDArray[np.int64]:
    return np.flatnonzero(np.array([one.is_shelled for one in side], bool) == shelled)
