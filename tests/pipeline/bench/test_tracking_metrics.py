"""Short tracks whose metrics follow directly from the definitions."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.tracking_metrics import TrackingFrame, tracking_metrics


def clip(true: list[list[int]], found: list[list[int]], overlap: float = 1.0) -> list[TrackingFrame]:
    """Identities in each frame. The object and the track at the same position of both lists overlap by ``overlap``."""
    return [
        TrackingFrame(np.array(a, int), np.array(b, int), overlap * np.eye(max(len(a), len(b)))[: len(a), : len(b)])
        for a, b in zip(true, found, strict=True)
    ]


@pytest.mark.parametrize(
    ("case", "hota", "detection", "association", "idf1"),
    [
        ("perfect", 1, 1, 1, 1),
        ("one egg split in half", 0.5**0.5, 1, 0.5, 0.5),
        ("one egg split 8 to 2", 0.68**0.5, 1, 0.68, 0.8),
        ("the last two frames missed", 0.8, 0.8, 0.8, 16 / 18),
        ("an additional false track", 0.5**0.5, 0.5, 1, 2 / 3),
        ("one track for two eggs, one after the other", 0.5**0.5, 1, 0.5, 0.5),
        ("two eggs whose tracks are swapped midway", 1 / 3**0.5, 1, 1 / 3, 0.5),
        ("outlines that overlap by 0.6", 12 / 19, 12 / 19, 12 / 19, 1),
    ],
)
def test_short_tracks_have_the_metrics_of_the_definitions(
    case: str, hota: float, detection: float, association: float, idf1: float
) -> None:
    half = [[1]] * 5
    clips = {
        "perfect": clip(half * 2, half * 2),
        "one egg split in half": clip(half * 2, half + [[2]] * 5),
        "one egg split 8 to 2": clip(half * 2, [[1]] * 8 + [[2]] * 2),
        "the last two frames missed": clip(half * 2, [[1]] * 8 + [[]] * 2),
        "an additional false track": clip(half * 2, [[1, 2]] * 10),
        "one track for two eggs, one after the other": clip(half + [[2]] * 5, half * 2),
        "two eggs whose tracks are swapped midway": clip([[1, 2]] * 10, [[1, 2]] * 5 + [[2, 1]] * 5),
        "outlines that overlap by 0.6": clip(half * 2, half * 2, 0.6),
    }
    metrics = tracking_metrics([clips[case]])
    assert (metrics.hota, metrics.detection_accuracy, metrics.association_accuracy, metrics.idf1) == pytest.approx(
        (hota, detection, association, idf1), abs=1e-6
    )


def test_clips_are_summed_and_identities_are_separate_for_each_clip() -> None:
    complete = clip([[1]] * 10, [[1]] * 10)
    assert tracking_metrics([complete, clip([[1]] * 10, [[7]] * 10)]).hota == pytest.approx(1)
    # Ten frames right and ten missed: half of the objects are detected, and all matches are associated.
    half = tracking_metrics([complete, clip([[1]] * 10, [[]] * 10)])
    assert (half.detection_accuracy, half.association_accuracy, half.idf1) == pytest.approx((0.5, 1, 2 / 3))


def test_without_objects_and_tracks_there_are_no_metrics() -> None:
    assert tracking_metrics([clip([[]] * 3, [[]] * 3)]).hota is None
    assert tracking_metrics([]).idf1 is None
