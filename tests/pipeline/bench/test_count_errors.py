"""What listings are in truth, in data sets on disk that are small enough to count by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.stages import STAGES
from pipeline.bench.animal_truth import AnimalTruth, ClipTruth, ObjectNumbers
from pipeline.bench.count_errors import CountErrors, count_errors
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, DataSetFrames, TrueObjects
from tests.pipeline.bench.data_set_files import DATE

FRAMES = 12
NOWHERE = 0
Listing = tuple[int, list[int]]  # stage, and the object on which each sighting lies, one sighting a frame


def errors_of(objects: dict[int, int], listings: list[Listing], crossed: set[int], *, shelled: bool) -> CountErrors:
    """The errors of one animal. objects : stage of each object from 1, visible side by side in every frame"""
    places = {NOWHERE: 5000.0} | {identity: 100.0 * identity for identity in objects}
    true = [(frame, identity) for frame in range(FRAMES) for identity in objects]
    seen = [
        (frame, egg, stage, identity)
        for egg, (stage, sightings) in enumerate(listings, 1)
        for frame, identity in enumerate(sightings)
    ]

    def ellipses(identities: list[int]) -> np.ndarray[Any, Any]:
        return np.array([[places[each], 100.0, 30.0, 20.0, 0.0] for each in identities]).reshape(-1, 5)

    true_ids, seen_ids = [identity for _, identity in true], [identity for *_, identity in seen]
    unknown = np.full(len(true), np.nan)
    numbers = ObjectNumbers()
    animal = AnimalTruth(
        DATE, None, numbers, numbers, None, {"left-1.mp4": ClipTruth(None, frozenset(crossed), None)}, None
    )
    data_set = DataSet(
        "set",
        Path("set"),
        {"AF-1": animal},
        DataSetFrames(
            tuple(("AF-1", "left-1.mp4", frame) for frame in range(FRAMES)),
            ("unknown",) * FRAMES,
            np.full(FRAMES, np.nan),
            tuple(range(FRAMES)),
            np.full((FRAMES, 2), np.nan),
        ),
        TrueObjects(
            frame=np.array([frame for frame, _ in true], np.int64),
            ellipses=ellipses(true_ids),
            boxes=np.zeros((len(true), 4)),
            areas=unknown,
            stage=np.array([objects[each] for each in true_ids], np.int64),
            ignored=np.zeros(len(true), bool),
            visible_share=unknown,
            depth_mm=unknown,
            object_id=np.array(true_ids, np.int64),
        ),
    )
    found = ExportedDetections(
        frame=np.array([frame for frame, *_ in seen], np.int64),
        ellipses=ellipses(seen_ids),
        boxes=np.zeros((len(seen), 4)),
        stage=np.array([stage for _, _, stage, _ in seen], np.int64),
        stage_probability=np.full(len(seen), np.nan),
        scores=np.ones(len(seen)),
        track=np.array([egg for _, egg, _, _ in seen], np.int64),
        egg=np.array([egg for _, egg, _, _ in seen], np.int64),
        outline_uncertainties=np.full((len(seen), 2), np.nan),
        frames_used=FRAMES,
    )
    eggs = [{"id": egg, "stage": STAGES[stage]} for egg, (stage, _) in enumerate(listings, 1)]
    errors = count_errors(data_set, found, [{"animal": "AF-1", "eggs": eggs}], shelled=shelled)
    assert errors is not None
    return errors


def no_errors(**numbers: int) -> CountErrors:
    names = ("crossed", "listed", "listed_twice", "two_under_one", "no_object", "other_kind", "merged", "missed")
    return CountErrors(**(dict.fromkeys(names, 0) | numbers))


@pytest.mark.parametrize(
    ("listings", "expected"),
    [
        ([(2, [1, 1, 1]), (1, [2, 2])], no_errors(crossed=2, listed=2)),
        ([(2, [1, 1, 1])], no_errors(crossed=2, listed=1, missed=1)),
        # The same object again, in the same frames or in others.
        ([(2, [1, 1]), (2, [1, 1]), (2, [2])], no_errors(crossed=2, listed=3, listed_twice=1)),
        # Nothing there, in more than seven tenths of the sightings.
        ([(2, [1]), (2, [2]), (2, [2, 2] + 5 * [NOWHERE])], no_errors(crossed=2, listed=3, no_object=1)),
        ([(2, [1]), (2, [2, 2, 2] + 5 * [NOWHERE])], no_errors(crossed=2, listed=2)),
        # Two under one, with and without a listing of the second.
        ([(2, [1, 1, 1, 2])], no_errors(crossed=2, listed=1, two_under_one=1, merged=1)),
        ([(2, [1, 1, 1, 1, 2])], no_errors(crossed=2, listed=1, missed=1)),
        ([(2, [1, 1, 1, 2]), (2, [2])], no_errors(crossed=2, listed=2, two_under_one=1)),
        # A follicle listed as an egg.
        ([(2, [1]), (2, [2]), (2, [3])], no_errors(crossed=2, listed=3, other_kind=1)),
        # An object that no clip crossed well, but that is listed, is no error.
        ([(2, [1]), (2, [2]), (2, [4])], no_errors(crossed=3, listed=3)),
    ],
)
def test_each_listing_has_its_error(listings: list[Listing], expected: CountErrors) -> None:
    assert errors_of({1: 2, 2: 1, 3: 0, 4: 2}, listings, {1, 2, 3}, shelled=True) == expected


def test_follicles_are_separate() -> None:
    errors = errors_of({1: 2, 2: 0}, [(2, [1]), (0, [2]), (0, [2]), (0, [1])], {1, 2}, shelled=False)
    assert errors == no_errors(crossed=1, listed=3, listed_twice=1, other_kind=1)


sightings = st.lists(st.integers(0, 4), max_size=FRAMES)


@given(
    listings=st.lists(st.tuples(st.integers(0, 2), sightings), max_size=6),
    crossed=st.sets(st.integers(1, 4)),
    shelled=st.booleans(),
)
def test_the_errors_explain_the_difference_of_listed_and_crossed(
    listings: list[Listing], crossed: set[int], shelled: bool
) -> None:
    errors = errors_of({1: 2, 2: 1, 3: 0, 4: 2}, listings, crossed, shelled=shelled)
    explained = errors.listed - errors.listed_twice - errors.no_object - errors.other_kind + errors.merged
    assert errors.crossed == explained + errors.missed
    assert errors.two_under_one <= errors.listed
