from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.estimate.exam_estimate import estimate_exam, estimate_grouping, group_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam import Exam
from pipeline.exams.species import find_profile, load_profiles
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import load_settings
from pipeline.track.probe_course import straight_course
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.simulated_clips import (
    CALCIFIED,
    FOLLICLE,
    THIN_SHELLED,
    one_way_sweep,
    random_clutch,
    return_sweep,
    simulate_clip,
    track_clip,
)

SETTINGS = load_settings()
# Windows swept, and whether the probe came back, from the least to the most that is usually recorded.
LAYOUTS = (
    (("left", False), ("right", False)),
    (("left", True),),
    (("left", False), ("left", False)),
    (("left", False), ("left", True), ("right", False)),
)


@dataclass(frozen=True)
class SimulatedAnimal:
    """A simulated animal: its clips, and how many of her objects the sweeps crossed."""

    clips: tuple[ClipTracks, ...]
    shelled: int
    follicles: int

    def coverage(self):
        return [ClipCoverage(c.file, c.window, "done", None, c.frames, c.frames) for c in self.clips]

    def estimate(self, order=None) -> ExamFinding:
        clips, coverage = list(self.clips), self.coverage()
        order = range(len(clips)) if order is None else order
        return estimate_exam(AF_0412, [clips[k] for k in order], [coverage[k] for k in order], SETTINGS)


AF_0412 = Exam(
    folder=Path("AF-0412/2026-05-14"),
    animal="AF-0412",
    date=dt.date(2026, 5, 14),
    species="Emys orbicularis",
    weight_g=830,
    carapace_mm=152,
    carapace_width_mm=118,
    passed_before=0,
    clips=(),
)


@cache
def simulated_animal(seed: int) -> SimulatedAnimal:
    """Every fifth animal has only follicles or nothing. The reach of the sweeps includes the far side or not."""
    rng = np.random.default_rng(seed)
    number = int(rng.integers(0, 13))
    stages = [int(stage) for stage in rng.choice([FOLLICLE, THIN_SHELLED, CALCIFIED], number, p=[0.2, 0.2, 0.6])]
    if seed % 5 == 4:
        stages = [FOLLICLE] * (number // 3)
    body = random_clutch(rng, stages)
    clips, crossed = [], set()
    for k, (window, returns) in enumerate(LAYOUTS[seed % 4]):
        frames = 400 if returns else 200
        path = return_sweep(frames) if returns else one_way_sweep(frames)
        clip = simulate_clip(rng, body, path, frames, window=window, imaging_depth_mm=(55.0, 90.0)[seed // 4 % 2])
        crossed |= clip.crossed
        clips.append(track_clip(clip, SETTINGS.track, f"{window}-{k + 1}.mp4", window))
    shelled = sum(stages[row] != FOLLICLE for row in crossed)
    return SimulatedAnimal(tuple(clips), shelled, len(crossed) - shelled)


def assert_is_sound(finding: ExamFinding, animal: SimulatedAnimal):
    for count, truth in ((finding.shelled, animal.shelled), (finding.follicles, animal.follicles)):
        low, high = count.interval90
        assert count.at_least <= truth, f"at least {count.at_least} of {truth}"
        assert count.at_least <= low <= count.estimate <= high
        assert high >= 1
    assert 0 <= finding.confidence <= 1
    assert (finding.stage == "none seen") == (not finding.eggs)
    assert [egg.identity for egg in finding.eggs] == list(range(1, len(finding.eggs) + 1))


def test_twenty_animals_are_counted_within_their_intervals():
    animals = [simulated_animal(seed) for seed in range(20)]
    findings = [animal.estimate() for animal in animals]
    for animal, finding in zip(animals, findings, strict=True):
        assert_is_sound(finding, animal)
        if animal.shelled == 0:
            assert finding.shelled.estimate == 0, "an animal without shelled eggs was given some"
    errors = [abs(f.shelled.estimate - a.shelled) for f, a in zip(findings, animals, strict=True)]
    inside = [
        f.shelled.interval90[0] <= a.shelled <= f.shelled.interval90[1] for f, a in zip(findings, animals, strict=True)
    ]
    assert np.mean(np.array(errors) <= 2) >= 0.8, errors
    assert np.mean(inside) >= 0.9


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 4).map(lambda k: 4 * k + 3), st.permutations(range(3)))
def test_the_order_of_clips_changes_nothing(seed, order):
    animal = simulated_animal(seed)
    assert animal.estimate(order) == animal.estimate()


def test_a_repeated_estimate_is_the_same_to_the_last_bit():
    animal = simulated_animal(3)
    assert repr(animal.estimate()) == repr(animal.estimate())


def test_an_animal_without_any_detection():
    rng = np.random.default_rng(1)
    clips = tuple(
        track_clip(
            simulate_clip(rng, random_clutch(rng, []), one_way_sweep(200), 200),
            SETTINGS.track,
            f"{window}-1.mp4",
            window,
        )
        for window in ("left", "right")
    )
    finding = SimulatedAnimal(clips, 0, 0).estimate()
    assert (finding.shelled.estimate, finding.follicles.estimate) == (0, 0)
    assert finding.shelled.interval90[1] >= 1
    assert finding.stage == "none seen"
    assert 0.5 < finding.stage_probability < 1
    assert [flag.code for flag in finding.flags] == ["none-seen", "unknown-species"]


def test_without_a_usable_clip_nothing_is_known():
    refused = ClipCoverage("left-1.mp4", "left", "refused", "it holds no picture.", 0, 0)
    finding = estimate_exam(AF_0412, [], [refused], SETTINGS)
    assert finding.confidence == 0
    assert finding.shelled.interval90[1] > 5
    assert (finding.stage, finding.stage_probability) == ("none seen", 0.0)
    assert [flag.code for flag in finding.flags] == ["nothing-usable", "clip-refused", "unknown-species"]


def test_eggs_are_listed_with_their_sizes_and_sightings():
    rng = np.random.default_rng(2)
    clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 5), one_way_sweep(300), 300)
    tracks = track_clip(clip, SETTINGS.track, "left-1.mp4")
    finding = SimulatedAnimal((tracks,), len(clip.crossed), 0).estimate()
    assert len(finding.eggs) == len(clip.crossed)
    assert abs(finding.shelled.estimate - len(clip.crossed)) <= 1  # one may have been missed, or be no egg
    for egg in finding.eggs:
        assert egg.stage == "calcified"
        # 32 by 21 mm, give or take a tenth; a section may show less.
        assert egg.length_mm is not None
        assert egg.width_mm is not None
        assert 15 < egg.width_mm < 26
        assert egg.width_mm <= egg.length_mm < 38
        (sighting,) = egg.sightings
        assert sighting.first_frame <= sighting.best_frame <= sighting.last_frame


@pytest.mark.parametrize("scale", [None, 0.22])
def test_millimetres_need_a_scale(scale):
    rng = np.random.default_rng(3)
    clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 3), one_way_sweep(200), 200)
    tracks = track_clip(clip, SETTINGS.track, "left-1.mp4")
    finding = SimulatedAnimal((ClipTracks("left-1.mp4", "left", scale, 200, tracks.tracks),), 3, 0).estimate()
    assert all((egg.length_mm is None) == (scale is None) for egg in finding.eggs)
    assert ("no-scale" in [flag.code for flag in finding.flags]) == (scale is None)


@pytest.mark.parametrize("probability", [0.5, 0.9])
def test_an_unclear_motion_of_the_hand_is_flagged(probability: float) -> None:
    animal = simulated_animal(1)
    course = replace(straight_course(animal.clips[0].frames), probability=probability)
    unclear = SimulatedAnimal((replace(animal.clips[0], courses=(course,)),), animal.shelled, 0)
    codes = [flag.code for flag in unclear.estimate().flags]
    assert ("hand-unclear" in codes) == (probability < 0.6)


def test_confirmed_eggs_are_a_lower_bound_of_the_count() -> None:
    animal = simulated_animal(0)
    grouping = group_exam(AF_0412, animal.clips, animal.coverage(), SETTINGS)
    sure = tuple(replace(egg, existence=1.0, upper_score=1.0) for egg in grouping.eggs)
    finding = estimate_grouping(AF_0412, replace(grouping, eggs=sure), animal.clips, animal.coverage(), SETTINGS)
    shelled = sum(egg.is_shelled for egg in sure)
    assert finding.shelled.at_least == finding.shelled.interval90[0] == shelled > animal.estimate().shelled.at_least
    assert finding.follicles.at_least == len(sure) - shelled


def test_the_usual_clutch_is_used_only_on_request_and_named():
    animal = simulated_animal(0)
    without = animal.estimate()
    estimate = SETTINGS.estimate.model_copy(update={"use_clutch_prior": True})
    clips, coverage = list(animal.clips), animal.coverage()
    known = AnimalBackground(find_profile(AF_0412.species, load_profiles()))
    changed = SETTINGS.model_copy(update={"estimate": estimate})
    with_prior = estimate_exam(AF_0412, clips, coverage, changed, background=known)
    assert "usual-clutch" not in [flag.code for flag in without.flags]
    (flag,) = (flag for flag in with_prior.flags if flag.code == "usual-clutch")
    assert flag.reason == "The count takes into account that Emys orbicularis lays 3 to 18 eggs."
    assert flag.sources.startswith("Fritz 2001")
