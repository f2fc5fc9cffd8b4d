from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.fanning_hand import Fanning
from synthetic.film.hand import PLAIN_HAND
from synthetic.film.subjects import PlannedClip, Subject, demo_subjects, draw_subjects


def test_subjects_are_plausible_and_each_depends_on_its_place() -> None:
    subjects = draw_subjects(40, 9)
    assert [subject.name for subject in subjects[:2]] == ["AF-0001", "AF-0002"]
    assert len({subject.name for subject in subjects}) == 40
    assert draw_subjects(12, 9) == subjects[:12]
    assert draw_subjects(12, 10) != subjects[:12]
    assert {subject.species for subject in subjects} == set(PHANTOM_SPECIES)
    for subject in subjects:
        low, high = load_species_ranges(subject.species).clutch
        shelled = subject.stage_counts.calcified + subject.stage_counts.thin_shelled
        assert shelled == 0 or low <= shelled <= high


def test_clips_are_3_to_20_s_long_and_some_windows_are_filmed_twice() -> None:
    subjects = draw_subjects(200, 9)
    clips = [clip for subject in subjects for clip in subject.clips]
    frames = [clip.frames for clip in clips]
    assert 75 <= min(frames) < 80
    assert 400 < max(frames) <= 500
    assert 120 < np.median(frames) < 150
    for subject in subjects:
        windows = [clip.window for clip in subject.clips]
        assert windows == sorted(windows)
        assert 1 <= windows.count("left") <= 2
        assert 1 <= windows.count("right") <= 2
    assert 0.18 < (len(clips) - 400) / 400 < 0.32
    # One person moves the probe in one manner, and differently in every clip.
    families = [{type(clip.hand.motion) for clip in subject.clips} for subject in subjects]
    assert all(len(family) == 1 for family in families)
    assert 70 < families.count({Fanning}) < 130


def test_animals_come_from_all_worlds_and_a_fixed_part_changes_nothing_else() -> None:
    subjects = draw_subjects(100, 9)
    assert len({subject.world for subject in subjects}) == 8
    variations = [subject.variation for subject in subjects]
    assert {variation.console for variation in variations} == {1.0}
    assert min(variation.appearance for variation in variations) < 0.3
    assert max(variation.appearance for variation in variations) > 0.9
    fixed = draw_subjects(100, 9, {"physics": "resolution-cells"})
    assert {subject.world.physics for subject in fixed} == {"resolution-cells"}
    assert [replace(one, world=other.world) for one, other in zip(fixed, subjects, strict=True)] == subjects


def test_clips_of_one_window_are_numbered() -> None:
    clips = tuple(PlannedClip(window) for window in ("left", "right", "left", "left"))
    subject = Subject("AF-0001", "emys-orbicularis", StageCounts(), clips)
    assert subject.file_stems == ("left-1", "right-1", "left-2", "left-3")


def test_the_demo_has_plain_hands() -> None:
    assert [len(subject.clips) for subject in demo_subjects()] == [2] * 6
    assert {clip.hand for subject in demo_subjects() for clip in subject.clips} == {PLAIN_HAND}


def test_zero_animals_are_refused() -> None:
    with pytest.raises(PhantomError, match="at least 1, got 0"):
        draw_subjects(0, 1)
