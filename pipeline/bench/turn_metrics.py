"""How well the turns of the probe are found: those that the pipeline reports, against the true ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.formatting import format_known, plural
from pipeline.track.tracks import ClipTracks

__all__ = ["MAXIMUM_DISTANCE_FRAMES", "ClipTurns", "TurnMetrics", "reported_turns", "turn_metrics", "turn_table"]

MAXIMUM_DISTANCE_FRAMES = 5.0
"""A reported turn matches a true one at most so many frames away, 0.2 s at 25 a second."""


@dataclass(frozen=True)
class ClipTurns:
    """true, reported : frames at which the probe turned back in one clip, ascending"""

    true: tuple[float, ...]
    reported: tuple[float, ...]


@dataclass(frozen=True)
class TurnMetrics:
    """The turns of some clips; None where there is nothing to measure.

    true, reported : numbers of turns;  recall : share of the true ones that are matched
    precision : share of the reported ones that match
    clips_without : clips without a true turn;  false_per_clip_without : turns reported in them, per clip
    given_one : share of these clips in which at least one is reported
    """

    clips: int
    true: int
    reported: int
    recall: float | None
    precision: float | None
    clips_without: int
    false_per_clip_without: float | None
    given_one: float | None


def reported_turns(clip: ClipTracks) -> list[float]:
    """The frames at which the pipeline says that the probe turned back, ascending."""
    return [turn.frame for turn in clip.likely_turns if turn.is_likely]


def turn_metrics(clips: Sequence[ClipTurns]) -> TurnMetrics:
    """The metrics over all clips. True and reported turns are matched one to one."""
    matched = sum(_matches(clip) for clip in clips)
    true, reported = sum(len(clip.true) for clip in clips), sum(len(clip.reported) for clip in clips)
    without = [len(clip.reported) for clip in clips if not clip.true]
    return TurnMetrics(
        clips=len(clips),
        true=true,
        reported=reported,
        recall=matched / true if true else None,
        precision=matched / reported if reported else None,
        clips_without=len(without),
        false_per_clip_without=sum(without) / len(without) if without else None,
        given_one=sum(number > 0 for number in without) / len(without) if without else None,
    )


def turn_table(name: str, metrics: TurnMetrics) -> str:
    """Three lines for one data set."""
    recall, precision, false, given_one = (
        format_known(value, form)
        for value, form in (
            (metrics.recall, ".1%"),
            (metrics.precision, ".1%"),
            (metrics.false_per_clip_without, ".3f"),
            (metrics.given_one, ".1%"),
        )
    )
    return (
        f"{name}: {plural(metrics.clips, 'clip')}, {plural(metrics.true, 'turn')}, {metrics.reported:,} reported\n"
        f"  found within {MAXIMUM_DISTANCE_FRAMES:g} frames: {recall}; right of those reported: {precision}\n"
        f"  {plural(metrics.clips_without, 'clip')} without a turn: {false} reported in each, some in {given_one}"
    )


def _matches(clip: ClipTurns) -> int:
    """The largest number of pairs within the distance; on a line, taking the earliest of both each time finds it."""
    number = i = j = 0
    while i < len(clip.true) and j < len(clip.reported):
        ahead = clip.reported[j] - clip.true[i]
        is_match = abs(ahead) <= MAXIMUM_DISTANCE_FRAMES
        number += is_match
        i += is_match or ahead > 0
        j += is_match or ahead < 0
    return number
