"""Toy tracks of ten frames whose figures follow from the definitions by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.tracking_metrics import TrackingFrame, tracking_metrics


def clip(true: list[list[int]], found: list[list[int]], pairs: float = 1.0) -> list[TrackingFrame]:
    """Objects at the places 0, 1, ... of each frame's lists; what stands at one place overlaps by ``pairs``."""
    return [
        TrackingFrame(np.array(a, int), np.array(b, int), pairs * np.eye(max(len(a), len(b)))[: len(a), : len(b)])
        for a, b in zip(true, found, strict=True)
    ]


@pytest.mark.parametrize(
    ("case", "hota", "detection", "association", "idf1"),
    [
        ("perfect", 1, 1, 1, 1),
        ("one egg split in halves", 0.5**0.5, 1, 0.5, 0.5),
        ("one egg split 8 to 2", 0.68**0.5, 1, 0.68, 0.8),
        ("the last two frames missed", 0.8, 0.8, 0.8, 16 / 18),
        ("a false track beside", 0.5**0.5, 0.5, 1, 2 / 3),
        ("two eggs, one after the other, under one name", 0.5**0.5, 1, 0.5, 0.5),
        ("two eggs whose names are swapped midway", 1 / 3**0.5, 1, 1 / 3, 0.5),
        ("outlines that overlap by 0.6", 12 / 19, 12 / 19, 12 / 19, 1),
    ],
)
def test_toy_tracks_have_the_figures_of_the_definitions(
    case: str, hota: float, detection: float, association: float, idf1: float
) -> None:
    half = [[1]] * 5
    clips = {
        "perfect": clip(half * 2, half * 2),
        "one egg split in halves": clip(half * 2, half + [[2]] * 5),
        "one egg split 8 to 2": clip(half * 2, [[1]] * 8 + [[2]] * 2),
        "the last two frames missed": clip(half * 2, [[1]] * 8 + [[]] * 2),
        "a false track beside": clip(half * 2, [[1, 2]] * 10),
        "two eggs, one after the other, under one name": clip(half + [[2]] * 5, half * 2),
        "two eggs whose names are swapped midway": clip([[1, 2]] * 10, [[1, 2]] * 5 + [[2, 1]] * 5),
        "outlines that overlap by 0.6": clip(half * 2, half * 2, 0.6),
    }
    figures = tracking_metrics([clips[case]])
    assert (figures.hota, figures.detection_accuracy, figures.association_accuracy, figures.idf1) == pytest.approx(
        (hota, detection, association, idf1), abs=1e-6
    )


def test_clips_are_added_up_and_identities_mean_nothing_beyond_their_clip() -> None:
    whole = clip([[1]] * 10, [[1]] * 10)
    assert tracking_metrics([whole, clip([[1]] * 10, [[7]] * 10)]).hota == pytest.approx(1)
    # Ten frames right and ten missed: half found, and every pair associated.
    half = tracking_metrics([whole, clip([[1]] * 10, [[]] * 10)])
    assert (half.detection_accuracy, half.association_accuracy, half.idf1) == pytest.approx((0.5, 1, 2 / 3))


def test_where_nothing_was_and_nothing_was_found_there_is_no_figure() -> None:
    assert tracking_metrics([clip([[]] * 3, [[]] * 3)]).hota is None
    assert tracking_metrics([]).idf1 is None
