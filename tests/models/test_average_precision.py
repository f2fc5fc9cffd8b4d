"""Average precision against curves computed by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from models.average_precision import (
    CocoEvaluator,
    DetectedBoxes,
    PictureDetections,
    PictureTruth,
    TrueBoxes,
    average_precision,
)

Rows = NDArray[np.float64]


def squares(*places: float, half: float = 10.0) -> Rows:
    """Circles on a line, whose boxes are squares."""
    return np.array([[place, 50.0, half, half, 0.0] for place in places]).reshape(-1, 5)


def truth(rows: Rows, *ignored: int) -> PictureTruth:
    return PictureTruth(rows, np.isin(np.arange(len(rows)), ignored))


def found(rows: Rows, *scores: float) -> PictureDetections:
    return PictureDetections(rows, np.array(scores, dtype=np.float64))


def test_perfect_detections_have_a_precision_of_1() -> None:
    rows = squares(20, 60, 100)
    value = average_precision([truth(rows), truth(rows[:1])], [found(rows, 0.9, 0.4, 0.6), found(rows[:1], 0.1)])
    assert (value.ap50, value.mean) == pytest.approx((1.0, 1.0))


def test_precision_is_averaged_over_101_recalls() -> None:
    # By falling score: right, wrong, right. Recalls up to 0.5 (51 of 101) have precision 1, the others 2/3.
    value = average_precision([truth(squares(20, 100))], [found(squares(20, 200, 100), 0.9, 0.8, 0.7)])
    assert value.ap50 == pytest.approx((51 + 50 * 2 / 3) / 101)


def test_a_shifted_outline_counts_at_low_overlaps_only() -> None:
    # Shifted by 4 of 20: intersection 16, union 24 and an overlap of 2/3, good at 0.50 to 0.65 of ten overlaps.
    value = average_precision([truth(squares(20))], [found(squares(24), 0.9)])
    assert value.ap50 == pytest.approx(1.0)
    assert value.mean == pytest.approx(0.4)


def test_ignored_objects_are_neither_rewarded_nor_punished() -> None:
    rows = squares(20, 100)
    assert average_precision([truth(rows, 1)], [found(rows[[1, 0]], 0.9, 0.8)]).ap50 == pytest.approx(1.0)
    assert average_precision([truth(rows[:1])], [found(rows[[1, 0]], 0.9, 0.8)]).ap50 == pytest.approx(0.5)


def test_a_detection_in_one_picture_does_not_match_another_picture() -> None:
    rows = squares(20)
    value = average_precision([truth(rows), truth(rows[:0])], [found(rows[:0]), found(rows, 0.9)])
    assert value.ap50 == 0.0


def test_no_detections_give_0_and_no_objects_give_nan() -> None:
    assert average_precision([truth(squares(20))], [found(squares())]).mean == 0.0
    for nothing_to_find in (
        average_precision([truth(squares(20), 0)], [found(squares(20), 0.9)]),
        average_precision([truth(squares())], [found(squares())]),
    ):
        assert math.isnan(nothing_to_find.ap50)
        assert math.isnan(nothing_to_find.mean)


@pytest.mark.parametrize(
    ("true", "given", "ap50", "mean"),
    [
        ([20], [(20, 0.9)], 1.0, 1.0),
        ([20, 100], [(20, 0.9)], 51 / 101, 51 / 101),
        ([20], [(20, 0.9), (200, 0.8)], 1.0, 1.0),  # a false one after the last right one costs nothing
        ([20], [(200, 0.9), (20, 0.8)], 0.5, 0.5),
        ([20], [(20, 0.9), (20, 0.8)], 1.0, 1.0),  # nor does a duplicate with a lower score
        ([20, 100], [(20, 0.9), (200, 0.8), (100, 0.7)], 0.834983, 0.834983),
        ([40], [(45, 0.9)], 1.0, 0.6),
        ([40], [(48, 0.9)], 1.0, 0.4),
        ([40], [(50, 0.9)], 1.0, 0.3),
    ],
)
def test_toy_cases(true: list[float], given: list[tuple[float, float]], ap50: float, mean: float) -> None:
    """Values of pycocotools 2.0.11 on single boxes, computed; shifts are 5, 8 and 10 of 40 px."""
    objects = truth(squares(*true, half=20 if true == [40] else 10))
    detections = found(squares(*(x for x, _ in given), half=20 if true == [40] else 10), *(score for _, score in given))
    value = average_precision([objects], [detections])
    assert (value.ap50, value.mean) == pytest.approx((ap50, mean), abs=1e-6)


def evaluator(true: list[tuple[int, float, float]], given: list[tuple[int, float, float, float]]) -> CocoEvaluator:
    """Squares: (picture, place, side) true, (picture, place, side, score) detected."""
    rows, detections = np.array(true).reshape(-1, 3), np.array(given).reshape(-1, 4)

    def boxes(place: Rows, side: Rows) -> Rows:
        return np.stack([place, place, side, side], axis=1)

    return CocoEvaluator(
        TrueBoxes(rows[:, 0].astype(np.int64), boxes(*rows[:, 1:].T), rows[:, 2] ** 2, np.zeros(len(rows), dtype=bool)),
        DetectedBoxes(detections[:, 0].astype(np.int64), boxes(*detections[:, 1:3].T), detections[:, 3]),
        pictures=3,
    )


def test_sizes_are_those_of_coco() -> None:
    # A small one found, a medium one missed. A false large one affects only the large ones, of which there are none.
    sizes = evaluator([(0, 0, 20), (0, 100, 50)], [(0, 0, 20, 0.5), (0, 300, 200, 0.9)]).by_size()
    assert sizes["small"].ap50 == pytest.approx(1.0)
    assert sizes["medium"].ap50 == 0.0
    assert math.isnan(sizes["large"].ap50)


def test_a_stratum_ignores_the_objects_of_others_and_their_detections() -> None:
    one = evaluator(
        [(0, 0, 20), (1, 0, 20), (1, 100, 20)],
        [(0, 0, 20, 0.9), (1, 0, 20, 0.8), (1, 50, 20, 0.7), (1, 100, 20, 0.6)],
    )
    value, of_found = np.array([0.2, 0.7, 0.8]), np.array([np.nan, np.nan, 0.7, np.nan])
    low, high = one.by_range(value, of_found, [(0.0, 0.5), (0.5, np.inf)])
    assert low.ap50 == pytest.approx(1.0)  # the false detection belongs to the other stratum
    assert high.ap50 == pytest.approx((51 + 50 * 2 / 3) / 101)
    (everywhere,) = one.by_range(value, np.full(4, np.nan), [(0.0, 0.5)])
    assert everywhere.ap50 == pytest.approx(1.0)  # lower scores than the only right one
    (edge,) = one.by_range(value, of_found, [(0.7, 0.8)])  # the lower end is included, the upper one is not
    assert edge.ap50 == pytest.approx(1.0)
    (unknown,) = one.by_range(np.full(3, np.nan), of_found, [(-1e9, np.inf)])
    assert math.isnan(unknown.ap50)


def test_on_some_pictures_is_the_same_as_without_the_others() -> None:
    true = [(0, 0, 20), (1, 0, 20), (2, 0, 20), (2, 100, 20)]
    given = [(0, 300, 20, 0.95), (0, 0, 20, 0.9), (1, 50, 20, 0.8), (2, 100, 20, 0.7)]
    some = evaluator(true, given).on_pictures(np.array([True, False, True]))
    alone = evaluator([row for row in true if row[0] != 1], [row for row in given if row[0] != 1]).overall()
    assert some == alone
    assert some != evaluator(true, given).overall()


def test_the_curve_has_precision_and_score_at_each_recall() -> None:
    curve = evaluator([(0, 0, 20), (0, 100, 20)], [(0, 0, 20, 0.9), (0, 200, 20, 0.8), (0, 100, 20, 0.7)]).curve()
    assert curve.precision.shape == curve.score.shape == (101,)
    np.testing.assert_allclose(curve.precision, [1.0] * 51 + [2 / 3] * 50)
    np.testing.assert_allclose(curve.score, [0.9] * 51 + [0.7] * 50)


def test_the_curve_is_that_at_an_overlap_of_a_half() -> None:
    """Shifted by 3.5 of 20 both ways: an overlap of 272 / (800 - 272) = 0.52, no match at the next one, 0.55."""
    curve = evaluator([(0, 0, 20)], [(0, 3.5, 20, 0.9)]).curve()
    np.testing.assert_allclose(curve.precision, np.ones(101))
    np.testing.assert_allclose(curve.score, np.full(101, 0.9))
