from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.animal_truth import ClipTruth, ObjectNumbers, ObjectTruth, animal_truth

ENTRY = {
    "date": "2026-05-03",
    "in_animal": {"follicle": 1, "thin-shelled": 2, "calcified": 3},
    "seen": {"follicle": 0, "thin-shelled": 1, "calcified": 3},
}


def test_optional_keys_may_be_missing() -> None:
    truth = animal_truth(ENTRY)
    assert (truth.carried, truth.crossed) == (ObjectNumbers(1, 2, 3), ObjectNumbers(0, 1, 3))
    assert (truth.species, truth.shown, truth.objects, truth.clips) == (None, None, None, {})
    assert truth.world == {}
    assert animal_truth(ENTRY | {"follicles_seen": 1}).crossed == ObjectNumbers(1, 1, 3)
    assert animal_truth(ENTRY | {"clips": {"left-1.mp4": {}}}).clips == {"left-1.mp4": ClipTruth(None, None, None)}


@pytest.mark.parametrize("key", ENTRY)
def test_required_keys_may_not_be_missing(key: str) -> None:
    with pytest.raises(KeyError, match=key):
        animal_truth({name: value for name, value in ENTRY.items() if name != key})


def test_all_keys_are_read() -> None:
    clip = {"mm_per_px": 0.2, "seen_ids": [2, 5], "path_mm": [[0.0, 1.0, 2.0]], "turns": [30, 71]}
    world = {"hand": "fanning", "screen": "plain"}
    objects = [
        {"id": 2, "stage": "follicle", "seen": True},
        {"id": 5, "stage": "calcified", "seen": False, "axes_mm": [34.0, 22.0, 20.0]},
    ]
    clips, shown = {"left-1.mp4": clip}, ENTRY["in_animal"]
    truth = animal_truth(ENTRY | {"clips": clips, "objects": objects, "shown": shown, "world": world})
    read = truth.clips["left-1.mp4"]
    assert (read.mm_per_px, read.crossed_ids, read.turns) == (0.2, {2, 5}, (30, 71))
    np.testing.assert_array_equal(read.path_mm, [[0.0, 1.0, 2.0]])
    assert truth.objects == (ObjectTruth(2, False, True, None), ObjectTruth(5, True, False, (34.0, 22.0, 20.0)))
    assert (truth.shown, truth.world) == (ObjectNumbers(1, 2, 3), world)


@pytest.mark.parametrize(
    ("numbers", "stage"),
    [
        (ObjectNumbers(), "none"),
        (ObjectNumbers(follicles=2), "follicle"),
        (ObjectNumbers(calcified=4), "calcified"),
        (ObjectNumbers(follicles=1, thin_shelled=1), "mixed"),
    ],
)
def test_the_overall_stage(numbers: ObjectNumbers, stage: str) -> None:
    assert numbers.overall_stage == stage
