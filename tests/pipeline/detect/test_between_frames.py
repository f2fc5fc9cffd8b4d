from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.detect.between_frames import DetectionsBetween
from pipeline.detect.detector import Detections


def detections(frame: int, *rows: tuple[float, float, float, float]) -> Detections:
    """rows : x, y, radius, score"""
    table = np.array(rows, np.float64).reshape(-1, 4)
    ellipses = np.column_stack([table[:, :2], table[:, 2], table[:, 2], np.zeros(len(table))])
    stages = np.tile([0.0, 0.5, 0.5], (len(table), 1))
    return Detections(frame, ellipses, table[:, 1], stages, table[:, 3], np.full((len(table), 2), np.nan))


@given(st.integers(1, 9), st.floats(-3, 3), st.floats(0.8, 1.25))
def test_what_is_found_on_both_sides_moves_and_grows_evenly(frame: int, step: float, growth: float) -> None:
    before, after = detections(0, (50, 60, 20, 0.9)), detections(10, (50 + step, 60, 20 * growth, 0.7))
    between = DetectionsBetween(before, after).at(frame, 0.1)
    share = frame / 10
    assert between.frame == frame
    np.testing.assert_allclose(between.ellipses[0, :3], [50 + share * step, 60, 20 * growth**share])
    assert between.scores == pytest.approx([0.9 - 0.2 * share])
    np.testing.assert_allclose(between.stage_probabilities, before.stage_probabilities)


def test_what_is_found_on_one_side_fades_and_the_best_comes_first() -> None:
    before = detections(0, (50, 60, 20, 0.8))
    after = detections(4, (200, 60, 20, 0.8))
    between = DetectionsBetween(before, after).at(1, 0.1)
    assert between.ellipses[:, 0].tolist() == [50, 200]
    assert between.scores == pytest.approx([0.6, 0.2])
    assert DetectionsBetween(before, after).at(1, 0.3).ellipses[:, 0].tolist() == [50]


def test_nothing_comes_of_nothing() -> None:
    assert len(DetectionsBetween(detections(0), detections(2)).at(1, 0.1).scores) == 0
