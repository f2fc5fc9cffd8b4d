"""Where the probe turned back within a clip, judged by the eggs that are seen again after the turn.

After a turn the eggs reappear in reverse order. Where the pictures were searched for turns (`probe_turns`), they say
which frame shows which place again, and the eggs seen there count for or against the turn. Otherwise an egg crossed at
frame p reappears near T + c (T - p), c being how much slower the probe went back: every pair of similar objects
proposes a turn T, which is tried at several paces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from pipeline.settings import TrackSettings
from pipeline.track.merging.by_kind import ByKind, rows_by_kind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.egg_matching import shared_count
from pipeline.track.merging.observed_object import ObservedObject
from pipeline.track.merging.same_egg_likelihood import (
    normal_log_density,
    object_positions,
    position_ratios,
    seen_in_same_frame,
    size_ratios,
    stage_ratios,
)
from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.turn_mapping import TurnMapping

__all__ = ["FrameRange", "Turn", "crossing_spans", "find_turn", "pass_ratios", "seen_again", "time_ratios"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _ReturnModel:
    """How exactly eggs reappear after a turn, and which turns are tried. Common practice, no source."""

    time_sd_frames: float = 5.0  # of an egg around the predicted time ...
    pace_sd_share: float = 0.06  # ... plus this share of the time since the turn, because probes change pace
    minimum_room_sds: float = 4.0  # a different egg is crossed anywhere in at least so many standard deviations
    position_share: float = 0.6  # of the typical mean semi-axis; standard deviation of an egg's lateral position
    turn_step_frames: float = 8.0  # distance between turns that are tried
    paces: tuple[float, ...] = (0.6, 0.77, 1.0, 1.3, 1.67)  # frames of the return per outbound frame
    proposing_pairs: int = 24  # the most similar pairs, whose turns are tried


_RETURN = _ReturnModel()


@dataclass(frozen=True)
class FrameRange:
    """A part of a clip, from frame ``low`` to ``high``."""

    low: float
    high: float


@dataclass(frozen=True)
class Turn:
    """A turn of the probe among N objects.

    before, after : rows of the objects that are crossed before and after it
    ratios : (N, N) log-likelihood ratios that two objects are the same egg, with the time predicted by the turn
    probability : that the probe turned back there
    """

    frame: float
    mapping: TurnMapping
    before: NDArray[np.int64]
    after: NDArray[np.int64]
    ratios: Floats
    probability: float = 0.0


def find_turn(
    objects: Sequence[ObservedObject],
    part: FrameRange,
    settings: TrackSettings,
    visible_turns: Sequence[ProbeTurn] | None,
) -> Turn | None:
    """The most likely turn in a part of a clip; None where there is none to consider.

    objects : of that part, by position;  visible_turns : those that the pictures show, None where not searched for
    """
    if len(objects) < 2:
        return None
    ratios = np.where(seen_in_same_frame(objects, objects), -np.inf, pass_ratios(objects, objects, settings))
    if visible_turns is None:
        return _turn_from_objects(objects, ratios, part, settings)
    inside = [turn for turn in visible_turns if part.low < turn.frame < part.high]
    if not inside:
        return None
    most_likely = max(inside, key=lambda turn: turn.log_odds)
    mapping = TurnMapping(most_likely.before, most_likely.after)
    turn, evidence = _try_turn(most_likely.frame, mapping, objects, ratios, part, settings)
    return None if turn is None else replace(turn, probability=float(expit(most_likely.log_odds + evidence)))


def seen_again(
    objects: Sequence[ObservedObject], turn: Turn, part: FrameRange, settings: TrackSettings
) -> ByKind[tuple[CountDistribution, float]]:
    """How many objects are seen again after the turn, and the log-evidence for it.

    All that lie where both passes went should be, so eggs missing on either pass count against the turn. Those in
    view during the turn are crossed once, because they do not leave the picture in between.
    """
    positions = np.array([one.position for one in objects])
    to_other_pass = np.where(
        positions < turn.frame, turn.mapping.to_return(positions), turn.mapping.to_outbound(positions)
    )
    margin = _RETURN.time_sd_frames
    in_view_at_turn = np.array(
        [one.frames[0] - margin <= turn.frame <= one.frames[-1] + margin for one in objects], dtype=bool
    )
    passed_twice = (to_other_pass >= part.low) & (to_other_pass <= part.high) & ~in_view_at_turn
    found = []
    for rows in rows_by_kind(objects):
        before, after = (side[np.isin(side, rows)] for side in (turn.before, turn.after))
        expected = max(int(passed_twice[before].sum()), int(passed_twice[after].sum()))
        ratios = turn.ratios[np.ix_(before, after)]
        found.append(shared_count(ratios, settings.return_reseen_share, settings.reseen_prior_strength, expected))
    return ByKind(*found)


def pass_ratios(first: Sequence[ObservedObject], second: Sequence[ObservedObject], settings: TrackSettings) -> Floats:
    """(N, M) log-likelihood ratios between objects of two passes of one clip, from position, size and stage."""
    if not first or not second:
        return np.zeros((len(first), len(second)))
    lateral_sd = _RETURN.position_share * float(np.median([one.size for one in [*first, *second]]))
    return (
        position_ratios(object_positions(first), object_positions(second), lateral_sd)
        + size_ratios(first, second, settings.size_log_sd)
        + stage_ratios(first, second)
    )


def time_ratios(delay: Floats, since_turn: Floats, room: float) -> Floats:
    """Log-likelihood ratios from the time of a crossing on the return.

    delay : frames after the predicted time;  since_turn : frames from the turn to the crossing
    room : frames after the turn, anywhere in which a different egg would be crossed
    """
    sd = _RETURN.time_sd_frames + _RETURN.pace_sd_share * since_turn
    return np.asarray(
        normal_log_density(delay, sd) + np.log(max(room, _RETURN.minimum_room_sds * _RETURN.time_sd_frames))
    )


def crossing_spans(objects: Sequence[ObservedObject]) -> Floats:
    """(N, 2) where along the sweep each crossing begins and ends."""
    return np.array([[one.start_position, one.end_position] for one in objects]).reshape(-1, 2)


def _turn_from_objects(
    objects: Sequence[ObservedObject], ratios: Floats, part: FrameRange, settings: TrackSettings
) -> Turn | None:
    """The turn that explains most of what is seen again, from the tracks alone."""
    positions = np.array([one.position for one in objects])
    rows, columns = np.nonzero(np.triu(ratios > 0, 1))
    if not len(rows):
        return None
    best_first = np.argsort(-ratios[rows, columns], kind="stable")[: _RETURN.proposing_pairs]
    proposed = _proposed_turns(positions[rows], positions[columns])[best_first]
    step = _RETURN.turn_step_frames
    evidences: list[float] = []
    best: Turn | None = None  # the others are not kept, because each holds a matrix of all pairs
    for frame in (np.unique(np.round(proposed / step)) * step).tolist():
        for pace in _RETURN.paces:
            turn, evidence = _try_turn(frame, TurnMapping.at_pace(frame, pace), objects, ratios, part, settings)
            if turn is None:
                continue
            if best is None or evidence > max(evidences):
                best = turn
            evidences.append(evidence)
    if best is None:
        return None
    # The turn may be at any step of the clip and at any pace; those that no pair proposes explain nothing.
    steps = max(part.high - part.low, step) / step
    hypotheses = max(len(_RETURN.paces) * steps, len(evidences))
    log_odds = logit(settings.return_probability) - np.log(hypotheses) + np.logaddexp.reduce(evidences)
    return replace(best, probability=float(expit(log_odds)))


def _try_turn(
    frame: float,
    mapping: TurnMapping,
    objects: Sequence[ObservedObject],
    ratios: Floats,
    part: FrameRange,
    settings: TrackSettings,
) -> tuple[Turn | None, float]:
    """A turn with what it explains, and the log-evidence for it; None where nothing lies before or after it."""
    positions = np.array([one.position for one in objects])
    before, after = np.flatnonzero(positions < frame), np.flatnonzero(positions >= frame)
    if not len(before) or not len(after):
        return None, 0.0
    spans = crossing_spans(objects)
    delay = mapping.delay(spans, spans, part.low, part.high)
    with_time = ratios + time_ratios(delay, np.abs(positions - frame)[None], part.high - frame)
    turn = Turn(frame, mapping, before, after, with_time)
    return turn, sum(evidence for _, evidence in seen_again(objects, turn, part, settings))


def _proposed_turns(first: Floats, second: Floats) -> Floats:
    """(P, paces) the turning frames that pairs of crossings (P,) propose, one for every pace."""
    earlier, later = np.minimum(first, second)[:, None], np.maximum(first, second)[:, None]
    paces = np.array(_RETURN.paces)[None]
    return np.asarray((later + paces * earlier) / (1 + paces))
