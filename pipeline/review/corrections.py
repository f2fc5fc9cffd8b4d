"""A person's answers as facts that the estimate starts from.

Everything nobody spoke of stays exactly as the batch had it, and without any answer the finding is the batch's own.

What joining leaves open (`Grouping.count_corrections`: the true number of distinct eggs less those listed) is narrowed by every
answer. A confirmed egg is one egg of its own, so the true number can fall short of the listed only by eggs that nobody
confirmed, and exceed it only by the further segments of those; the distribution is conditioned on that. Where all eggs
of a kind are confirmed nothing stays open. That answers bear on each other's joins beyond this is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.stage_evidence import assign_stages
from pipeline.estimate.stages import STAGES
from pipeline.review.answers import TrackSegment
from pipeline.review.replay import ReviewedEgg, ReviewState
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import Settings, TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.merge import Egg, EggTrack, Grouping
from pipeline.track.merging.observed_object import merge_objects, observed_object
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["CorrectedInputs", "apply_corrections"]

FrameRanges = Sequence[tuple[int, int]]


@dataclass(frozen=True)
class CorrectedInputs:
    """What the estimate takes in place of the batch's own. egg_numbers : the review's number of every listed track."""

    grouping: Grouping
    clips: tuple[ClipTracks, ...]
    coverage: tuple[ClipCoverage, ...]
    egg_numbers: Mapping[tuple[str, int], int]


def apply_corrections(
    grouping: Grouping,
    clips: Sequence[ClipTracks],
    coverage: Sequence[ClipCoverage],
    used: Mapping[str, NDArray[np.int64]],
    state: ReviewState,
    settings: Settings,
) -> CorrectedInputs:
    """The facts of an exam. grouping, clips, coverage : as the batch had them;  used : by clip, the frames it used"""
    before = {(m.file, m.track): egg for egg in grouping.eggs for m in egg.members}
    if not state.has_corrections:
        numbers = {(p.clip, p.track): egg.number for egg in state.eggs for p in egg.segments}
        return CorrectedInputs(grouping, tuple(clips), tuple(coverage), numbers)
    table = _Tracks({clip.file: clip for clip in clips}, state.unusable)
    made: list[tuple[ReviewedEgg, Egg]] = []
    for egg in state.eggs:
        listed = table.take(egg) if egg.verdict != "not-egg" else []
        if listed:
            made.append((egg, _egg(egg, listed, before, table.is_cut(egg), settings.track)))
    revised = tuple(replace(clip, tracks=tuple(table.tracks[clip.file])) for clip in clips)
    kept = [reviewed for reviewed, _ in made]
    # What was put together anew is staged anew, from its own tracks.
    fresh = {egg.number for egg in kept if egg.is_regrouped or table.is_cut(egg)}
    staged_anew = iter(assign_stages([egg for reviewed, egg in made if reviewed.number in fresh], revised, settings))
    eggs = [_certified(reviewed, next(staged_anew) if reviewed.number in fresh else egg) for reviewed, egg in made]
    shelled, follicles = (
        _narrowed(
            grouping.count_corrections.of(shelled=is_shelled),
            [reviewed for reviewed, egg in zip(kept, eggs, strict=True) if egg.is_shelled == is_shelled],
        )
        for is_shelled in (True, False)
    )
    return CorrectedInputs(
        Grouping(tuple(eggs), ByKind(shelled=shelled, follicles=follicles), grouping.passes),
        revised,
        tuple(_covered(clip, used, state.unusable, bool(table.tracks.get(clip.file))) for clip in coverage),
        {(member.file, member.track): egg.identity for egg in eggs for member in egg.members},
    )


class _Tracks:
    """The tracks that remain, cut and put together as people said. tracks : by clip"""

    def __init__(self, clips: Mapping[str, ClipTracks], unusable: Mapping[str, FrameRanges]) -> None:
        self._known = {(file, track.identity): track for file, clip in clips.items() for track in clip.tracks}
        self._unusable = unusable
        self._next = {file: 1 + max((t.identity for t in clip.tracks), default=0) for file, clip in clips.items()}
        self.tracks: dict[str, list[Track]] = {file: [] for file in clips}

    def is_cut(self, egg: ReviewedEgg) -> bool:
        """Whether frames of it lie in parts that are unusable."""
        return any(
            begin <= segment.last and segment.first <= end
            for segment in egg.segments
            for begin, end in self._unusable.get(segment.clip, ())
        )

    def take(self, egg: ReviewedEgg) -> list[tuple[str, Track]]:
        """The tracks of an egg, in time order within each clip; nothing where all its frames are unusable.

        An egg that a person confirmed was seen, so it keeps its frames where it would lose all of them.
        """
        found = self._pieces(egg, self._unusable)
        if not found and egg.verdict == "egg":
            found = self._pieces(egg, {})
        for file, track in found:
            self.tracks[file].append(track)
        return found

    def _pieces(self, egg: ReviewedEgg, unusable: Mapping[str, FrameRanges]) -> list[tuple[str, Track]]:
        found: list[tuple[str, Track]] = []
        seen: dict[str, set[int]] = {}
        for segment in sorted(egg.segments, key=lambda segment: (segment.clip, segment.first, segment.track)):
            if segment.clip not in self.tracks:
                continue
            track = self._track(segment, egg)
            inside = (track.frames >= segment.first) & (track.frames <= segment.last)
            for begin, end in unusable.get(segment.clip, ()):
                inside &= (track.frames < begin) | (track.frames > end)
            if egg.is_regrouped:  # two outlines of one egg in one frame are one sighting
                frames = seen.setdefault(segment.clip, set())
                inside &= ~np.isin(track.frames, list(frames))
                frames |= set(track.frames[inside].tolist())
            if inside.any():
                found.append((segment.clip, self._named(segment.clip, _staged(_rows(track, inside), egg))))
        return found

    def _track(self, segment: TrackSegment, egg: ReviewedEgg) -> Track:
        if segment.track > 0:
            return self._known[segment.clip, segment.track]
        return _drawn(segment, egg, [track for (file, _), track in self._known.items() if file == segment.clip])

    def _named(self, file: str, track: Track) -> Track:
        taken = {other.identity for other in self.tracks[file]}
        if track.identity > 0 and track.identity not in taken:
            return track
        self._next[file] += 1
        return replace(track, identity=self._next[file] - 1)


def _egg(
    egg: ReviewedEgg,
    listed: Sequence[tuple[str, Track]],
    before: Mapping[tuple[str, int], Egg],
    is_cut: bool,
    settings: TrackSettings,
) -> Egg:
    """The egg as merging would hand it over."""
    if not (egg.is_regrouped or is_cut):
        return replace(before[egg.segments[0].clip, egg.segments[0].track], identity=egg.number)
    places = {file: place for place, file in enumerate(sorted({file for file, _ in listed}))}
    parts = [
        observed_object(place, [track for file, track in listed if file == name], settings)
        for name, place in places.items()
    ]
    one = reduce(lambda a, b: merge_objects(a, b, settings), parts)
    members = tuple(EggTrack(file, track.identity) for file, track in listed)
    return Egg(egg.number, members, one.existence, one.stages, one.upper_score)


def _certified(egg: ReviewedEgg, made: Egg) -> Egg:
    """With what a person said of it for certain."""
    if egg.stage is not None:
        made = replace(made, stages=_certain(egg.stage))
    return replace(made, existence=1.0, upper_score=1.0) if egg.verdict == "egg" else made


def _certain(stage: str) -> NDArray[np.float64]:
    return np.array([float(name == stage) for name in STAGES])


def _drawn(segment: TrackSegment, egg: ReviewedEgg, tracks: Sequence[Track]) -> Track:
    """A track of one sighting. tracks : the others of its clip

    Nobody measured how deep it lies along the beam. It is taken to lie as much deeper than the nearest outline that was
    followed as it is lower on the picture; where none was, to lie under the picture's upper edge.
    """
    outline = egg.outlines[segment.track]
    x, y = outline[:2]
    depth = y
    if tracks:
        places = np.concatenate([track.ellipses[:, :2] for track in tracks])
        nearest = int(np.hypot(*(places - [x, y]).T).argmin())
        depth = float(np.concatenate([track.depths_px for track in tracks])[nearest] + y - places[nearest, 1])
    stage = _certain(egg.stage or "calcified")[None]
    frames = np.array([segment.first], np.int64)
    depths = np.array([max(depth, 1.0)])
    return Track(segment.track, frames, np.array([outline]), depths, stage, np.ones(1))


def _rows(track: Track, inside: NDArray[np.bool_]) -> Track:
    if inside.all():
        return track
    return Track(
        track.identity,
        track.frames[inside],
        track.ellipses[inside],
        track.depths_px[inside],
        track.stage_probabilities[inside],
        track.scores[inside],
    )


def _staged(track: Track, egg: ReviewedEgg) -> Track:
    if egg.stage is None:
        return track
    return replace(track, stage_probabilities=np.tile(_certain(egg.stage), (len(track.frames), 1)))


def _narrowed(shift: CountDistribution, eggs: Sequence[ReviewedEgg]) -> CountDistribution:
    """The shift of one kind, given that its confirmed eggs are eggs of their own and nothing more."""
    if not any(egg.verdict or egg.is_regrouped for egg in eggs):
        return shift
    unsaid = [egg for egg in eggs if egg.verdict is None]
    fewest = -min(len(unsaid), len(eggs) - 1)
    most = sum(len(egg.segments) - 1 for egg in unsaid)
    return shift.given_at_least(fewest).subtracted_from(0).given_at_least(-most).subtracted_from(0)


def _covered(
    clip: ClipCoverage, used: Mapping[str, NDArray[np.int64]], unusable: Mapping[str, FrameRanges], has_eggs: bool
) -> ClipCoverage:
    stretches = unusable.get(clip.file)
    if not stretches or clip.status != "done":
        return clip
    frames = used[clip.file]
    left = np.ones(len(frames), bool)
    for begin, end in stretches:
        left &= (frames < begin) | (frames > end)
    # A clip that shows a confirmed egg is of use, whatever was said of its frames.
    return replace(clip, frames_used=max(int(left.sum()), int(has_eggs)))
