"""The inputs of the estimate with users' answers applied.

Everything without an answer stays exactly as the batch had it. Without any answer the finding is the batch's own.

The uncertainty that merging leaves (`Grouping.count_corrections`: the true number of distinct eggs minus those listed)
is narrowed by every answer. A confirmed egg is one egg of its own, so the true number can be lower than the listed one
only by eggs that nobody confirmed, and higher only by the further segments of those; the distribution is conditioned on
that. If all eggs of a kind are confirmed, nothing is uncertain. Any further dependence between answers and merges is
ignored.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES
from pipeline.estimate.stage_evidence import assign_stages
from pipeline.people.answers import TrackSegment
from pipeline.review.replay import ReviewedEgg, ReviewState
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import Settings
from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.merge import Egg, EggTrack, Grouping
from pipeline.track.merging.observed_object import merge_objects, observed_object
from pipeline.track.probe_course import straight_course
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["CorrectedInputs", "apply_corrections"]

FrameRanges = Sequence[tuple[int, int]]


@dataclass(frozen=True)
class CorrectedInputs:
    """Replaces the batch's own inputs of the estimate. egg_numbers : the review's egg number by clip and track"""

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
    """Apply the answers. grouping, clips, coverage : as the batch had them;  used : by clip, the frames it used"""
    batch_eggs = {(m.file, m.track): egg for egg in grouping.eggs for m in egg.members}
    if not state.has_corrections:
        numbers = {(p.clip, p.track): egg.number for egg in state.eggs for p in egg.segments}
        return CorrectedInputs(grouping, tuple(clips), tuple(coverage), numbers)
    corrected = _CorrectedTracks({clip.file: clip for clip in clips}, state.unusable)
    built: list[tuple[ReviewedEgg, Egg]] = []
    for egg in state.eggs:
        members = corrected.add(egg) if egg.verdict != "not-egg" else []
        if members:
            built.append((egg, _egg(egg, members, batch_eggs, corrected.is_cut(egg), settings.track)))
    revised = tuple(replace(clip, tracks=tuple(corrected.tracks[clip.file])) for clip in clips)
    kept = [reviewed for reviewed, _ in built]
    # Eggs with other tracks than before are staged again, from their own tracks.
    changed = {egg.number for egg in kept if egg.is_regrouped or corrected.is_cut(egg)}
    restaged = assign_stages([egg for _, egg in built], revised, settings)
    eggs = [
        _with_verdict(reviewed, new if reviewed.number in changed else egg)
        for (reviewed, egg), new in zip(built, restaged, strict=True)
    ]
    follicles, shelled = (
        _narrowed_correction(
            grouping.count_corrections.of(shelled=is_shelled),
            [reviewed for reviewed, egg in zip(kept, eggs, strict=True) if egg.is_shelled == is_shelled],
        )
        for is_shelled in (False, True)
    )
    return CorrectedInputs(
        Grouping(tuple(eggs), ByKind(follicles=follicles, shelled=shelled), grouping.passes),
        revised,
        tuple(
            _corrected_coverage(clip, used, state.unusable, bool(corrected.tracks.get(clip.file))) for clip in coverage
        ),
        {(member.file, member.track): egg.identity for egg in eggs for member in egg.members},
    )


class _CorrectedTracks:
    """The remaining tracks, cut and regrouped by the answers. tracks : by clip"""

    def __init__(self, clips: Mapping[str, ClipTracks], unusable: Mapping[str, FrameRanges]) -> None:
        self._batch_tracks = {(file, track.identity): track for file, clip in clips.items() for track in clip.tracks}
        self._unusable = unusable
        self._next_identity = {
            file: 1 + max((t.identity for t in clip.tracks), default=0) for file, clip in clips.items()
        }
        self.tracks: dict[str, list[Track]] = {file: [] for file in clips}

    def is_cut(self, egg: ReviewedEgg) -> bool:
        """Whether some of its frames are marked as unusable."""
        return any(
            begin <= segment.last and segment.first <= end
            for segment in egg.segments
            for begin, end in self._unusable.get(segment.clip, ())
        )

    def add(self, egg: ReviewedEgg) -> list[tuple[str, Track]]:
        """Add an egg's tracks. Returns them with their clips, in time order; none if all its frames are unusable.

        A confirmed egg was seen, so it keeps all its frames if it would lose every one.
        """
        cut = self._cut_tracks(egg, self._unusable)
        if not cut and egg.verdict == "egg":
            cut = self._cut_tracks(egg, {})
        for file, track in cut:
            self.tracks[file].append(track)
        return cut

    def _cut_tracks(self, egg: ReviewedEgg, unusable: Mapping[str, FrameRanges]) -> list[tuple[str, Track]]:
        cut: list[tuple[str, Track]] = []
        frames_of_clip: dict[str, set[int]] = {}
        for segment in sorted(egg.segments, key=lambda segment: (segment.clip, segment.first, segment.track)):
            if segment.clip not in self.tracks:
                continue
            track = self._track(segment, egg)
            inside = (track.frames >= segment.first) & (track.frames <= segment.last)
            for begin, end in unusable.get(segment.clip, ()):
                inside &= (track.frames < begin) | (track.frames > end)
            if egg.is_regrouped:  # two outlines of one egg in one frame are one sighting
                frames = frames_of_clip.setdefault(segment.clip, set())
                inside &= ~np.isin(track.frames, list(frames))
                frames |= set(track.frames[inside].tolist())
            if inside.any():
                kept = _reshaped(_rows(track, inside), segment.clip, egg)
                cut.append((segment.clip, self._with_free_identity(segment.clip, _restaged(kept, egg))))
        return cut

    def _track(self, segment: TrackSegment, egg: ReviewedEgg) -> Track:
        if segment.track > 0:
            return self._batch_tracks[segment.clip, segment.track]
        others = [track for (file, _), track in self._batch_tracks.items() if file == segment.clip]
        return _drawn_track(segment, egg, others)

    def _with_free_identity(self, file: str, track: Track) -> Track:
        taken = {other.identity for other in self.tracks[file]}
        if track.identity > 0 and track.identity not in taken:
            return track
        self._next_identity[file] += 1
        return replace(track, identity=self._next_identity[file] - 1)


def _egg(
    egg: ReviewedEgg,
    tracks: Sequence[tuple[str, Track]],
    batch_eggs: Mapping[tuple[str, int], Egg],
    is_cut: bool,
    settings: TrackSettings,
) -> Egg:
    """The egg as merging would return it. tracks : its own, with their clips"""
    if not (egg.is_regrouped or is_cut):
        return replace(batch_eggs[egg.segments[0].clip, egg.segments[0].track], identity=egg.number)
    files = sorted({file for file, _ in tracks})
    # Where along the course it lies no longer matters: nothing is matched any more.
    course = straight_course(1 + max(int(track.frames[-1]) for _, track in tracks))
    per_clip = [
        observed_object(place, [track for file, track in tracks if file == name], course, settings)
        for place, name in enumerate(files)
    ]
    merged = reduce(lambda a, b: merge_objects(a, b, settings), per_clip)
    members = tuple(EggTrack(file, track.identity) for file, track in tracks)
    return Egg(egg.number, members, merged.existence, merged.stages, merged.upper_score)


def _with_verdict(reviewed: ReviewedEgg, egg: Egg) -> Egg:
    """The egg with a user's stage and confirmation, both certain."""
    if reviewed.stage is not None:
        egg = replace(egg, stages=_one_hot(reviewed.stage))
    return replace(egg, existence=1.0, upper_score=1.0) if reviewed.verdict == "egg" else egg


def _one_hot(stage: str) -> NDArray[np.float64]:
    """(3,) probability 1 of this stage."""
    return np.array([float(name == stage) for name in STAGES])


def _drawn_track(segment: TrackSegment, egg: ReviewedEgg, tracks: Sequence[Track]) -> Track:
    """A track of one drawn outline. tracks : the others of its clip

    Its depth along the beam was not measured. It is assumed to be that of the nearest tracked outline plus how much
    lower it lies in the picture; without tracks, its distance from the picture's upper edge.
    """
    outline = egg.outlines[segment.track]
    x, y = outline[:2]
    depth = y
    if tracks:
        centres = np.concatenate([track.ellipses[:, :2] for track in tracks])
        nearest = int(np.hypot(*(centres - [x, y]).T).argmin())
        depth = float(np.concatenate([track.depths_px for track in tracks])[nearest] + y - centres[nearest, 1])
    stage = _one_hot(egg.stage or "calcified")[None]
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


def _reshaped(track: Track, clip: str, egg: ReviewedEgg) -> Track:
    """With the outlines that a user drew in place of the track's own."""
    rows = {
        row: egg.reshaped[clip, frame]
        for row, frame in enumerate(track.frames.tolist())
        if (clip, frame) in egg.reshaped
    }
    if not rows:
        return track
    ellipses = track.ellipses.copy()
    for row, outline in rows.items():
        ellipses[row] = outline
    return replace(track, ellipses=ellipses)


def _restaged(track: Track, egg: ReviewedEgg) -> Track:
    if egg.stage is None:
        return track
    return replace(track, stage_probabilities=np.tile(_one_hot(egg.stage), (len(track.frames), 1)))


def _narrowed_correction(correction: CountDistribution, eggs: Sequence[ReviewedEgg]) -> CountDistribution:
    """The count correction of one kind, given that each of its confirmed eggs is exactly one egg."""
    if not any(egg.is_settled or egg.is_regrouped for egg in eggs):
        return correction
    unanswered = [egg for egg in eggs if not egg.is_settled]
    fewest = -min(len(unanswered), len(eggs) - 1)
    most = sum(len(egg.segments) - 1 for egg in unanswered)
    return correction.given_at_least(fewest).subtracted_from(0).given_at_least(-most).subtracted_from(0)


def _corrected_coverage(
    clip: ClipCoverage, used: Mapping[str, NDArray[np.int64]], unusable: Mapping[str, FrameRanges], has_eggs: bool
) -> ClipCoverage:
    ranges = unusable.get(clip.file)
    if not ranges or clip.status != "done":
        return clip
    frames = used[clip.file]
    is_usable = np.ones(len(frames), bool)
    for begin, end in ranges:
        is_usable &= (frames < begin) | (frames > end)
    # A clip that shows a confirmed egg counts as used, even if all its frames were marked.
    return replace(clip, frames_used=max(int(is_usable.sum()), int(has_eggs)))
