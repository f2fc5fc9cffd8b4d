"""One exam's estimate, from the tracks of its clips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.estimate.candidates import candidate_features, candidate_posterior, log_likelihood_ratio
from pipeline.estimate.clutch_prior import clutch_prior_of
from pipeline.estimate.counts import CountEstimate, count_when_unscanned, estimate_count
from pipeline.estimate.crossing_outlines import crossing_outlines
from pipeline.estimate.egg_signs import describe_signs
from pipeline.estimate.encounter_history import encounter_history
from pipeline.estimate.flags import FlagInputs, evaluate_flags
from pipeline.estimate.history import AnimalBackground, make_history
from pipeline.estimate.lower_bound import count_lower_bound
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.estimate.results import EggFinding, ExamFinding, Sighting, Visit
from pipeline.estimate.sizes import Measurement, measure_eggs
from pipeline.estimate.stage_evidence import StageEvidence, assign_stages, collect_stage_evidence
from pipeline.estimate.stages import STAGES, clutch_stage, egg_stage, stage_tuple
from pipeline.exams.exam_search import Exam
from pipeline.exams.species import SpeciesProfile
from pipeline.scan.coverage import ClipCoverage, usable_clips
from pipeline.settings import Settings
from pipeline.track.merging.merge import Egg, Grouping, merge_tracks
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["count_kind", "estimate_exam", "estimate_grouping", "group_exam"]

TrackIndex = Mapping[tuple[str, int], tuple[Track, float | None]]
NO_BACKGROUND = AnimalBackground()


def estimate_exam(
    exam: Exam,
    clips: Sequence[ClipTracks],
    coverage: Sequence[ClipCoverage],
    settings: Settings,
    *,
    background: AnimalBackground = NO_BACKGROUND,
) -> ExamFinding:
    """What the program says of one exam. The order of clips does not matter.

    clips : tracks of the clips that were used, file names unique within the exam
    coverage : of every clip, the refused ones too
    background : what is known of the animal beside these recordings
    """
    grouping = group_exam(exam, clips, coverage, settings)
    return estimate_grouping(exam, grouping, clips, coverage, settings, background=background)


def group_exam(
    exam: Exam, clips: Sequence[ClipTracks], coverage: Sequence[ClipCoverage], settings: Settings
) -> Grouping:
    """The eggs of an exam before anything is made of them, with stages as calibrated."""
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
    """What follows from eggs already grouped, by the program alone or with a person's answers among them.

    grouping : its members name tracks of ``clips``; an egg of existence 1 is one that a person confirmed
    """
    used = usable_clips(coverage)
    clips = _in_use(clips, coverage)
    shelled, follicles = (
        count_kind(exam, grouping, clips, kind, settings, background.profile) for kind in (True, False)
    )
    known = {(clip.file, track.identity): (track, clip.mm_per_px) for clip in clips for track in clip.tracks}
    listed = sorted([*shelled.eggs, *follicles.eggs], key=lambda egg: egg.identity)
    measured = _measured(listed, known, settings)
    evidence = collect_stage_evidence(listed, clips, settings.track)
    eggs = tuple(
        _finding(number, egg, known, measured[egg.identity], seen, settings)
        for number, (egg, seen) in enumerate(zip(listed, evidence, strict=True), 1)
    )
    stage, probability = clutch_stage(shelled, follicles) if used else ("none seen", 0.0)
    visit = Visit(
        date=exam.date,
        is_scanned=bool(used),
        shelled=shelled.count,
        follicles=follicles.count,
        stage=stage,
        stage_probability=probability,
        listed=_numbers(eggs),
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
        doubtful_places=[_place(egg, known) for egg in (*shelled.doubtful, *follicles.doubtful)],
        files_without_scale=[clip.file for clip in clips if clip.mm_per_px is None],
        probe_turned=any(turn.is_likely for clip in clips for turn in clip.turns or ()),
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
        flags=evaluate_flags(inputs, settings),
        eggs=eggs,
        history=history,
    )


def _numbers(eggs: Sequence[EggFinding]) -> tuple[int, int, int]:
    """Of each stage, in order of growth."""
    follicle, thin_shelled, calcified = (sum(egg.stage == stage for egg in eggs) for stage in STAGES)
    return follicle, thin_shelled, calcified


def _in_use(clips: Sequence[ClipTracks], coverage: Sequence[ClipCoverage]) -> list[ClipTracks]:
    files = {clip.file for clip in usable_clips(coverage)}
    # In one order, so that sums come out the same to the last bit.
    return sorted((clip for clip in clips if clip.file in files), key=lambda clip: clip.file)


def count_kind(
    exam: Exam,
    grouping: Grouping,
    clips: Sequence[ClipTracks],
    shelled: bool,
    settings: Settings,
    profile: SpeciesProfile | None = None,
) -> CountEstimate:
    """How many shelled eggs, or follicles, the used ``clips`` of the exam crossed."""
    if not clips:
        return count_when_unscanned(settings.estimate)
    learned = settings.calibration.counts.of(shelled=shelled)
    candidates = [egg for egg in grouping.eggs if egg.is_shelled == shelled]
    # Only a person's word is certain: the settings keep the program's own below that.
    certain = [egg.existence == 1.0 for egg in candidates]
    seen = candidate_features(clips, shelled=shelled, settings=settings.track)
    ratios = [
        log_likelihood_ratio([seen[member.file, member.track] for member in egg.members], learned.likelihood_weights)
        for egg in candidates
    ]
    posterior = candidate_posterior(
        np.where(certain, np.inf, ratios),
        expected_false_tracks=learned.false_tracks_per_clip * len(clips),
        zero_count_prior=settings.estimate.zero_count_prior,
    )
    with_clutch = shelled and settings.estimate.use_clutch_prior
    both = {"left", "right"} <= {clip.window for clip in clips}
    chances = list(zip(candidates, posterior.existence.tolist(), strict=True))
    real = [egg for egg, chance in chances if chance >= 0.5]
    sure = [egg for egg, chance in chances if chance >= settings.estimate.lower_bound_existence]
    surely_there = {(member.file, member.track) for egg in sure for member in egg.members}
    together = count_lower_bound(clips, shelled=shelled, sure_tracks=surely_there, settings=settings)
    met = encounter_history(real, grouping.passes, clips, exam.carapace_width_mm, learned.detection_rate, settings)
    return estimate_count(
        candidates,
        posterior,
        grouping.count_corrections.of(shelled=shelled),
        estimate_missed(met, learned.detection_rate),
        at_least=max(together, sum(certain)),
        learned=learned,
        settings=settings.estimate,
        both_windows=both,
        clutch_prior=clutch_prior_of(profile) if with_clutch else None,
    )


def _place(egg: Egg, known: TrackIndex) -> str:
    places = []
    for member in egg.members:
        frames = known[member.file, member.track][0].frames
        places.append(f"{member.file}, frames {frames[0]} to {frames[-1]}")
    return " and ".join(places)


def _measured(listed: Sequence[Egg], known: TrackIndex, settings: Settings) -> dict[int, Measurement]:
    """By the egg's identity. Shelled eggs are one clutch, and tell of each other's size; follicles are not."""
    measured: dict[int, Measurement] = {}
    outline = settings.calibration.network.outline
    for shelled, errors in ((True, outline.shelled), (False, outline.follicles)):
        eggs = [egg for egg in listed if egg.is_shelled == shelled]
        sightings = [[known[member.file, member.track] for member in egg.members] for egg in eggs]
        sizes = measure_eggs(sightings, same_clutch=shelled, settings=settings.sizes, errors=errors)
        measured |= {egg.identity: one for egg, one in zip(eggs, sizes, strict=True)}
    return measured


def _finding(
    number: int, egg: Egg, known: TrackIndex, measured: Measurement, evidence: StageEvidence, settings: Settings
) -> EggFinding:
    sightings = [(member, *known[member.file, member.track]) for member in egg.members]
    stage, probability = egg_stage(egg)
    length, width = measured.length_mm, measured.width_mm
    return EggFinding(
        identity=number,
        stage=stage,
        stage_probability=probability,
        confidence=egg.existence,
        shape=measured.shape,
        oval_probability=measured.oval_probability,
        length_mm=length.median if length else None,
        length_interval90_mm=length.interval90 if length else None,
        width_mm=width.median if width else None,
        width_interval90_mm=width.interval90 if width else None,
        depth_mm=measured.depth_mm,
        stages=stage_tuple(egg.stages),
        network_stages=stage_tuple(evidence.network_probabilities),
        signs=describe_signs(evidence.signs, evidence.mm_per_px, settings.shell_signs) if evidence.signs else None,
        sightings=tuple(
            Sighting(
                clip=member.file,
                track=member.track,
                first_frame=int(track.frames[0]),
                last_frame=int(track.frames[-1]),
                best_frame=int(track.frames[track.best_row]),
            )
            for member, track, _ in sightings
        ),
    )
