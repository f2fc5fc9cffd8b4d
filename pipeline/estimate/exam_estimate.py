"""The estimate of one exam, from the tracks of its clips."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from models.stages import STAGES
from pipeline.estimate.candidates import candidate_posterior, log_likelihood_ratio
from pipeline.estimate.clutch_prior import clutch_prior_of
from pipeline.estimate.counts import CountEstimate, count_when_unscanned, estimate_count
from pipeline.estimate.crossing_outlines import crossing_outlines
from pipeline.estimate.egg_signs import describe_signs
from pipeline.estimate.encounter_history import encounter_history
from pipeline.estimate.flags import FlagInputs, evaluate_flags
from pipeline.estimate.history import AnimalBackground, make_history
from pipeline.estimate.lower_bound import count_lower_bound
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.estimate.results import EggFinding, ExamFinding, Sighting, UncountedObject, Visit
from pipeline.estimate.sizes import Measurement, measure_eggs
from pipeline.estimate.stage_evidence import StageEvidence, assign_stages, collect_stage_evidence
from pipeline.estimate.stages import clutch_stage, egg_stage, stage_tuple
from pipeline.estimate.track_features import track_features
from pipeline.exams.exam import Exam
from pipeline.exams.species import SpeciesProfile
from pipeline.scan.coverage import ClipCoverage, usable_clips
from pipeline.settings import Settings
from pipeline.track.merging.merge import Egg, EggTrack, Grouping, merge_tracks
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["count_kind", "estimate_exam", "estimate_grouping", "group_exam"]

TrackIndex = Mapping[tuple[str, int], tuple[Track, float | None]]
"""Tracks and the mm per px of their clips, by file and identity."""

NO_BACKGROUND = AnimalBackground()

_CLEAR_MOTION = 0.6  # probability of the likeliest reading of the hand's motion, below which it is unclear; no source
_LIKELY = 0.5  # probability from which on a candidate is more likely real than not


def estimate_exam(
    exam: Exam,
    clips: Sequence[ClipTracks],
    coverage: Sequence[ClipCoverage],
    settings: Settings,
    *,
    background: AnimalBackground = NO_BACKGROUND,
) -> ExamFinding:
    """Estimate counts, stages and sizes of the eggs of one exam.

    The order of the clips does not matter.

    Parameters
    ----------
    exam
        The exam, as `pipeline.find_exams` gives it.
    clips
        The tracks of the clips that were used. File names are unique within the exam.
    coverage
        The coverage of every clip, including refused ones.
    settings
        Those of `pipeline.load_settings`.
    background
        What is known about the animal from elsewhere: her species, earlier exams and outcomes.

    Returns
    -------
    ExamFinding
        Counts with their intervals, the stage of the clutch, every egg, and the flags for a person to check. A count of
        zero means "none seen", never "none".

    Examples
    --------
    An exam without a usable clip:

    >>> import datetime as dt
    >>> from pathlib import Path
    >>> from pipeline import load_settings
    >>> from pipeline.exams.exam import Exam
    >>> exam = Exam(Path("exam"), "AF-0412", dt.date(2026, 5, 14), None, None, None, None, passed_before=0, clips=())
    >>> finding = estimate_exam(exam, [], [], load_settings())
    >>> finding.stage, finding.shelled.at_least, finding.shelled.estimate
    ('none seen', 0, 0)
    """
    grouping = group_exam(exam, clips, coverage, settings)
    return estimate_grouping(exam, grouping, clips, coverage, settings, background=background)


def group_exam(
    exam: Exam, clips: Sequence[ClipTracks], coverage: Sequence[ClipCoverage], settings: Settings
) -> Grouping:
    """The eggs of an exam before they are counted, with calibrated kinds and stages."""
    clips = _in_use(clips, coverage)
    grouping = merge_tracks(clips, exam.carapace_width_mm, settings.track)
    return replace(grouping, eggs=assign_stages(grouping.eggs, clips, settings))


def estimate_grouping(
    exam: Exam,
    grouping: Grouping,
    clips: Sequence[ClipTracks],
    coverage: Sequence[ClipCoverage],
    settings: Settings,
    *,
    background: AnimalBackground = NO_BACKGROUND,
) -> ExamFinding:
    """The estimate of one exam from eggs that are already grouped, with or without corrections by a person.

    grouping : its eggs name tracks of ``clips``; an egg of existence 1 is one that a person confirmed
    """
    used = usable_clips(coverage)
    clips = _in_use(clips, coverage)
    shelled, follicles = (
        count_kind(exam, grouping, clips, kind, settings, background.profile) for kind in (True, False)
    )
    tracks = {(clip.file, track.identity): (track, clip.mm_per_px) for clip in clips for track in clip.tracks}
    listed = sorted([*shelled.eggs, *follicles.eggs], key=lambda egg: egg.identity)
    measurements = _measure(listed, tracks, settings)
    stage_evidence = collect_stage_evidence(listed, clips, settings.track)
    eggs = tuple(
        _egg_finding(number, egg, tracks, measurements[egg.identity], evidence, settings)
        for number, (egg, evidence) in enumerate(zip(listed, stage_evidence, strict=True), 1)
    )
    stage, probability = clutch_stage(shelled, follicles) if used else ("none seen", 0.0)
    visit = Visit(
        date=exam.date,
        is_scanned=bool(used),
        shelled=shelled.count,
        follicles=follicles.count,
        stage=stage,
        stage_probability=probability,
        listed=_numbers_by_stage(eggs),
        passed_before=exam.passed_before,
    )
    history = make_history(visit, background, settings.change)
    inputs = FlagInputs(
        shelled=shelled,
        follicles=follicles,
        coverage=sorted(coverage, key=lambda clip: clip.file),
        stage=stage,
        stage_probability=probability,
        eggs=eggs,
        crossing_outlines=crossing_outlines(eggs, clips, settings.flags),
        doubtful_objects=[
            _sightings(egg.members, tracks)
            for counted in (shelled, follicles)
            if not counted.count.estimate
            for egg in counted.uncounted
        ],
        files_without_scale=[clip.file for clip in clips if clip.mm_per_px is None],
        files_with_unclear_motion=[clip.file for clip in clips if _is_motion_unclear(clip)],
        probe_turned=any(turn.is_likely for clip in clips for turn in clip.likely_turns),
        species=exam.species,
        profile=background.profile,
        history=history,
    )
    return ExamFinding(
        shelled=shelled.count,
        follicles=follicles.count,
        stage=stage,
        stage_probability=probability,
        confidence=shelled.confidence if used else 0.0,
        follicles_confidence=follicles.confidence if used else 0.0,
        flags=evaluate_flags(inputs, settings),
        eggs=eggs,
        history=history,
        uncounted=_uncounted(grouping, listed, (*shelled.uncounted, *follicles.uncounted), tracks),
    )


def _uncounted(
    grouping: Grouping, listed: Sequence[Egg], candidates: Sequence[Egg], tracks: TrackIndex
) -> tuple[UncountedObject, ...]:
    """The candidates, with the numbers that the review gives them: those after the listed eggs, in merging's order."""
    counted = {egg.identity for egg in listed}
    others = [egg.identity for egg in grouping.eggs if egg.identity not in counted]
    numbers = {identity: number for number, identity in enumerate(others, len(listed) + 1)}
    return tuple(
        UncountedObject(numbers[egg.identity], egg_stage(egg)[0], egg.existence, _sightings(egg.members, tracks))
        for egg in sorted(candidates, key=lambda egg: numbers[egg.identity])
    )


def _is_motion_unclear(clip: ClipTracks) -> bool:
    # Without objects in view nothing can be counted twice.
    return bool(clip.tracks and clip.courses) and clip.courses[0].probability < _CLEAR_MOTION


def _numbers_by_stage(eggs: Sequence[EggFinding]) -> tuple[int, int, int]:
    """In order of growth."""
    follicle, thin_shelled, calcified = (sum(egg.stage == stage for egg in eggs) for stage in STAGES)
    return follicle, thin_shelled, calcified


def _in_use(clips: Sequence[ClipTracks], coverage: Sequence[ClipCoverage]) -> list[ClipTracks]:
    files = {clip.file for clip in usable_clips(coverage)}
    # In a fixed order, so that sums are the same to the last bit.
    return sorted((clip for clip in clips if clip.file in files), key=lambda clip: clip.file)


def count_kind(
    exam: Exam,
    grouping: Grouping,
    clips: Sequence[ClipTracks],
    shelled: bool,
    settings: Settings,
    profile: SpeciesProfile | None = None,
) -> CountEstimate:
    """The count of the shelled eggs, or of the follicles, that the used ``clips`` of the exam crossed."""
    if not clips:
        return count_when_unscanned(settings.estimate)
    learned = settings.calibration.counts.of(shelled=shelled)
    candidates = [egg for egg in grouping.eggs if egg.is_shelled == shelled]
    # Only a person's confirmation is certain: the settings keep the existence of all other eggs below 1.
    is_confirmed = [egg.existence == 1.0 for egg in candidates]
    features = track_features(clips, shelled=shelled, settings=settings.track)
    log_ratios = [
        log_likelihood_ratio(
            [features[member.file, member.track] for member in egg.members], learned.likelihood_weights
        )
        for egg in candidates
    ]
    posterior = candidate_posterior(
        np.where(is_confirmed, np.inf, log_ratios),
        expected_false_tracks=learned.false_tracks_per_clip * len(clips),
        zero_count_prior=settings.estimate.zero_count_prior,
    )
    use_clutch_prior = shelled and settings.estimate.use_clutch_prior
    existence = list(zip(candidates, posterior.existence.tolist(), strict=True))
    likely = [egg for egg, probability in existence if probability >= _LIKELY]
    sure = [egg for egg, probability in existence if probability >= settings.estimate.lower_bound_existence]
    sure_tracks = {(member.file, member.track) for egg in sure for member in egg.members}
    seen_together = count_lower_bound(clips, shelled=shelled, sure_tracks=sure_tracks, settings=settings)
    encounters = encounter_history(
        likely, grouping.passes, clips, exam.carapace_width_mm, learned.detection_rate, settings
    )
    return estimate_count(
        candidates,
        posterior,
        grouping.count_corrections.of(shelled=shelled),
        estimate_missed(encounters, learned.detection_rate),
        shelled=shelled,
        at_least=max(seen_together, sum(is_confirmed)),
        learned=learned,
        settings=settings.estimate,
        both_windows={"left", "right"} <= {clip.window for clip in clips},
        clutch_prior=clutch_prior_of(profile) if use_clutch_prior else None,
    )


def _measure(listed: Sequence[Egg], tracks: TrackIndex, settings: Settings) -> dict[int, Measurement]:
    """By the egg's identity. Shelled eggs are one clutch and of similar size; follicles are not."""
    measurements: dict[int, Measurement] = {}
    outline = settings.calibration.network.outline
    for shelled, errors in ((True, outline.shelled), (False, outline.follicles)):
        eggs = [egg for egg in listed if egg.is_shelled == shelled]
        sightings = [[tracks[member.file, member.track] for member in egg.members] for egg in eggs]
        sizes = measure_eggs(sightings, same_clutch=shelled, settings=settings.sizes, errors=errors)
        measurements |= {egg.identity: size for egg, size in zip(eggs, sizes, strict=True)}
    return measurements


def _egg_finding(
    number: int,
    egg: Egg,
    tracks: TrackIndex,
    measurement: Measurement,
    evidence: StageEvidence,
    settings: Settings,
) -> EggFinding:
    stage, probability = egg_stage(egg)
    length, width = measurement.length_mm, measurement.width_mm
    return EggFinding(
        identity=number,
        stage=stage,
        stage_probability=probability,
        confidence=egg.existence,
        shape=measurement.shape,
        oval_probability=measurement.oval_probability,
        length_mm=length.median if length else None,
        length_interval90_mm=length.interval90 if length else None,
        width_mm=width.median if width else None,
        width_interval90_mm=width.interval90 if width else None,
        depth_mm=measurement.depth_mm,
        stages=stage_tuple(egg.stages),
        network_stages=stage_tuple(evidence.network_probabilities),
        signs=describe_signs(evidence.signs, evidence.mm_per_px, settings.shell_signs) if evidence.signs else None,
        sightings=_sightings(egg.members, tracks),
    )


def _sightings(members: Iterable[EggTrack], tracks: TrackIndex) -> tuple[Sighting, ...]:
    return tuple(_sighting(member, tracks[member.file, member.track][0]) for member in members)


def _sighting(member: EggTrack, track: Track) -> Sighting:
    return Sighting(
        clip=member.file,
        track=member.track,
        first_frame=int(track.frames[0]),
        last_frame=int(track.frames[-1]),
        best_frame=int(track.frames[track.best_row]),
    )
