"""Average precision against curves worked out by hand."""

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


def wanted(rows: Rows, *ignored: int) -> PictureTruth:
    return PictureTruth(rows, np.isin(np.arange(len(rows)), ignored))


def found(rows: Rows, *scores: float) -> PictureDetections:
    return PictureDetections(rows, np.array(scores, dtype=np.float64))


def test_all_found_in_their_places_is_one() -> None:
    rows = squares(20, 60, 100)
    value = average_precision([wanted(rows), wanted(rows[:1])], [found(rows, 0.9, 0.4, 0.6), found(rows[:1], 0.1)])
    assert (value.ap50, value.mean) == pytest.approx((1.0, 1.0))


def test_precision_is_averaged_over_101_recalls() -> None:
    # Surest first: right, wrong, right. Recalls up to 0.5 (51 of 101) have precision 1, the others 2/3.
    value = average_precision([wanted(squares(20, 100))], [found(squares(20, 200, 100), 0.9, 0.8, 0.7)])
    assert value.ap50 == pytest.approx((51 + 50 * 2 / 3) / 101)


def test_an_outline_a_little_beside_counts_at_low_overlaps_only() -> None:
    # Shifted by 4 of 20: intersection 16, union 24 and an overlap of 2/3, good at 0.50 to 0.65 of ten overlaps.
    value = average_precision([wanted(squares(20))], [found(squares(24), 0.9)])
    assert value.ap50 == pytest.approx(1.0)
    assert value.mean == pytest.approx(0.4)


def test_what_is_ignored_counts_neither_way() -> None:
    rows = squares(20, 100)
    assert average_precision([wanted(rows, 1)], [found(rows[[1, 0]], 0.9, 0.8)]).ap50 == pytest.approx(1.0)
    assert average_precision([wanted(rows[:1])], [found(rows[[1, 0]], 0.9, 0.8)]).ap50 == pytest.approx(0.5)


def test_what_is_found_in_one_picture_is_no_answer_to_another() -> None:
    rows = squares(20)
    value = average_precision([wanted(rows), wanted(rows[:0])], [found(rows[:0]), found(rows, 0.9)])
    assert value.ap50 == 0.0


def test_nothing_found_is_none_and_nothing_to_find_is_not_known() -> None:
    assert average_precision([wanted(squares(20))], [found(squares())]).mean == 0.0
    assert math.isnan(average_precision([wanted(squares(20), 0)], [found(squares(20), 0.9)]).ap50)
    assert math.isnan(average_precision([wanted(squares())], [found(squares())]).ap50)


@pytest.mark.parametrize(
    ("true", "given", "ap50", "mean"),
    [
        ([20], [(20, 0.9)], 1.0, 1.0),
        ([20, 100], [(20, 0.9)], 51 / 101, 51 / 101),
        ([20], [(20, 0.9), (200, 0.8)], 1.0, 1.0),  # what is wrong after the last right one costs nothing
        ([20], [(200, 0.9), (20, 0.8)], 0.5, 0.5),
        ([20], [(20, 0.9), (20, 0.8)], 1.0, 1.0),  # nor does a fainter duplicate
        ([20, 100], [(20, 0.9), (200, 0.8), (100, 0.7)], 0.834983, 0.834983),
        ([40], [(45, 0.9)], 1.0, 0.6),
        ([40], [(48, 0.9)], 1.0, 0.4),
        ([40], [(50, 0.9)], 1.0, 0.3),
    ],
)
def test_toy_cases(true: list[float], given: list[tuple[float, float]], ap50: float, mean: float) -> None:
    """Values of pycocotools 2.0.11 on single boxes, computed; shifts are 5, 8 and 10 of 40 px."""
    there = wanted(squares(*true, half=20 if true == [40] else 10))
    told = found(squares(*(x for x, _ in given), half=20 if true == [40] else 10), *(score for _, score in given))
    value = average_precision([there], [told])
    assert (value.ap50, value.mean) == pytest.approx((ap50, mean), abs=1e-6)


def judge(true: list[tuple[int, float, float]], given: list[tuple[int, float, float, float]]) -> CocoEvaluator:
    """Squares: (picture, place, side) true, (picture, place, side, score) found."""
    rows, told = np.array(true).reshape(-1, 3), np.array(given).reshape(-1, 4)

    def boxes(place: Rows, side: Rows) -> Rows:
        return np.stack([place, place, side, side], axis=1)

    return CocoEvaluator(
        TrueBoxes(rows[:, 0].astype(np.int64), boxes(*rows[:, 1:].T), rows[:, 2] ** 2, np.zeros(len(rows), dtype=bool)),
        DetectedBoxes(told[:, 0].astype(np.int64), boxes(*told[:, 1:3].T), told[:, 3]),
        pictures=3,
    )


def test_sizes_are_cocos() -> None:
    # Small and found, medium and missed; a large one that is not there costs the large ones alone, which are none.
    sizes = judge([(0, 0, 20), (0, 100, 50)], [(0, 0, 20, 0.5), (0, 300, 200, 0.9)]).by_size()
    assert sizes["small"].ap50 == pytest.approx(1.0)
    assert sizes["medium"].ap50 == 0.0
    assert math.isnan(sizes["large"].ap50)


def test_a_stratum_leaves_out_the_objects_of_others_and_what_answers_for_them() -> None:
    one = judge(
        [(0, 0, 20), (1, 0, 20), (1, 100, 20)],
        [(0, 0, 20, 0.9), (1, 0, 20, 0.8), (1, 50, 20, 0.7), (1, 100, 20, 0.6)],
    )
    value, of_found = np.array([0.2, 0.7, 0.8]), np.array([np.nan, np.nan, 0.7, np.nan])
    low, high = one.by_range(value, of_found, [(0.0, 0.5), (0.5, np.inf)])
    assert low.ap50 == pytest.approx(1.0)  # the false one belongs to the other stratum
    assert high.ap50 == pytest.approx((51 + 50 * 2 / 3) / 101)
    (everywhere,) = one.by_range(value, np.full(4, np.nan), [(0.0, 0.5)])
    assert everywhere.ap50 == pytest.approx(1.0)  # less sure than the only right one
    (edge,) = one.by_range(value, of_found, [(0.7, 0.8)])  # the lower end belongs to it, the upper one does not
    assert edge.ap50 == pytest.approx(1.0)
    (unknown,) = one.by_range(np.full(3, np.nan), of_found, [(-1e9, np.inf)])
    assert math.isnan(unknown.ap50)


def test_of_some_pictures_alone_is_as_if_there_were_no_others() -> None:
    true = [(0, 0, 20), (1, 0, 20), (2, 0, 20), (2, 100, 20)]
    given = [(0, 300, 20, 0.95), (0, 0, 20, 0.9), (1, 50, 20, 0.8), (2, 100, 20, 0.7)]
    some = judge(true, given).on_pictures(np.array([True, False, True]))
    alone = judge([row for row in true if row[0] != 1], [row for row in given if row[0] != 1]).overall()
    assert some == alone
    assert some != judge(true, given).overall()


def test_the_curve_tells_precision_and_score_at_each_recall() -> None:
    curve = judge([(0, 0, 20), (0, 100, 20)], [(0, 0, 20, 0.9), (0, 200, 20, 0.8), (0, 100, 20, 0.7)]).curve()
    assert curve.precision.shape == curve.score.shape == (101,)
    np.testing.assert_allclose(curve.precision, [1.0] * 51 + [2 / 3] * 50)
    np.testing.assert_allclose(curve.score, [0.9] * 51 + [0.7] * 50)
