"""Network output made by hand: which peaks become objects, with what values, and which duplicates are dropped."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.decode import decode
from models.ellipse import from_log_matrix, overlap
from models.output_channels import CHANNEL_COUNT, CHANNELS
from tests.models.ellipse_strategies import distance, repeatably
from tests.models.network_outputs import NetworkOutput

GRID = 16


def no_objects() -> NetworkOutput:
    """(11, G, G) output that is certain that there is nothing."""
    output = np.zeros((CHANNEL_COUNT, GRID, GRID), dtype=np.float32)
    output[CHANNELS["centre"]] = -20.0
    return output


def logit(probability: float) -> float:
    return float(np.log(probability / (1 - probability)))


def with_peak(
    output: NetworkOutput, *, cell: tuple[int, int], score: float, at: tuple[float, float], semi: float
) -> NetworkOutput:
    """The output with one more peak at a cell (x, y); it and its neighbours predict a circle at a place in cells."""
    x, y = cell
    output[0, y, x] = logit(score)
    near = np.s_[y - 1 : y + 2, x - 1 : x + 2]
    rows, columns = np.mgrid[near]
    output[CHANNELS["offset"]][:, *near] = np.stack([at[0] - columns, at[1] - rows])
    output[CHANNELS["shape"]][:, *near] = np.array([np.log(semi), np.log(semi), 0.0])[:, None, None]
    return output


def test_output_without_peaks_gives_no_objects() -> None:
    found = decode(no_objects(), minimum_score=0.1, maximum_overlap=0.5)
    assert found.ellipses.shape == (0, 5)
    assert found.stage_probabilities.shape == (0, 3)
    assert found.scores.shape == found.centre_uncertainty_px.shape == found.axis_uncertainty.shape == (0,)


def test_a_peak_gives_its_ellipse_in_pixels() -> None:
    output = with_peak(no_objects(), cell=(5, 9), score=0.8, at=(5.25, 8.75), semi=3.0)
    found = decode(output, minimum_score=0.1, maximum_overlap=0.5)
    # A cell holds four pixels, 0 to 3, so its middle lies at 1.5: 5.25 cells are at 22.5 px and 8.75 at 36.5.
    assert distance(found.ellipses[0], [22.5, 36.5, 12.0, 12.0, 0.0]) <= 1e-5
    assert found.scores == pytest.approx([0.8], abs=1e-6)


@pytest.mark.parametrize(("minimum", "count"), [(0.29, 3), (0.31, 2), (0.61, 1), (0.95, 0)])
def test_only_peaks_above_the_minimum_score_are_objects(minimum: float, count: int) -> None:
    output = no_objects()
    for cell, score in (((3, 3), 0.3), ((12, 3), 0.6), ((8, 12), 0.9)):
        with_peak(output, cell=cell, score=score, at=cell, semi=1.0)
    assert len(decode(output, minimum_score=minimum, maximum_overlap=0.5).scores) == count


def test_a_score_equal_to_the_minimum_is_kept() -> None:
    output = with_peak(no_objects(), cell=(5, 5), score=0.5, at=(5, 5), semi=1.0)  # the logit is exactly 0
    assert len(decode(output, minimum_score=0.5, maximum_overlap=0.5).scores) == 1


def test_highest_scores_come_first_and_max_objects_is_kept() -> None:
    output = no_objects()
    for cell, score in (((3, 3), 0.3), ((12, 3), 0.9), ((8, 12), 0.6)):
        with_peak(output, cell=cell, score=score, at=cell, semi=1.0)
    found = decode(output, minimum_score=0.1, maximum_overlap=0.5)
    assert found.scores == pytest.approx([0.9, 0.6, 0.3], abs=1e-6)
    two = decode(output, minimum_score=0.1, maximum_overlap=0.5, max_objects=2)
    np.testing.assert_array_equal(two.ellipses, found.ellipses[:2])


def test_of_two_overlapping_outlines_the_one_with_the_higher_score_stays() -> None:
    output = with_peak(no_objects(), cell=(5, 8), score=0.7, at=(7.0, 8.0), semi=4.0)
    with_peak(output, cell=(9, 8), score=0.9, at=(7.5, 8.0), semi=4.0)
    found = decode(output, minimum_score=0.1, maximum_overlap=0.5)
    assert found.scores == pytest.approx([0.9], abs=1e-6)
    assert found.ellipses[0, 0] == pytest.approx(31.5, abs=1e-4)


def test_the_caller_sets_how_much_outlines_may_overlap() -> None:
    output = with_peak(no_objects(), cell=(4, 8), score=0.7, at=(4.0, 8.0), semi=4.0)
    with_peak(output, cell=(9, 8), score=0.9, at=(9.0, 8.0), semi=4.0)
    shared = float(overlap([4, 8, 4, 4, 0], [9, 8, 4, 4, 0])[0, 0])
    assert len(decode(output, minimum_score=0.1, maximum_overlap=shared + 0.01).scores) == 2
    assert len(decode(output, minimum_score=0.1, maximum_overlap=shared - 0.01).scores) == 1


def test_a_dropped_outline_does_not_drop_others() -> None:
    # In a row of three, each over the next, the weakest overlaps only the middle one, and that one is dropped.
    output = with_peak(no_objects(), cell=(3, 8), score=0.9, at=(3.0, 8.0), semi=4.0)
    with_peak(output, cell=(7, 8), score=0.8, at=(6.0, 8.0), semi=4.0)
    with_peak(output, cell=(11, 8), score=0.7, at=(9.0, 8.0), semi=4.0)
    found = decode(output, minimum_score=0.1, maximum_overlap=0.3)
    assert found.scores == pytest.approx([0.9, 0.7], abs=1e-6)


def test_stages_and_uncertainties_are_those_of_the_peak() -> None:
    output = with_peak(no_objects(), cell=(5, 9), score=0.9, at=(5.0, 9.0), semi=2.0)
    output[CHANNELS["stage"]] = np.log([0.2, 0.7, 0.1])[:, None, None]
    output[CHANNELS["uncertainty"]] = np.log([0.5, 0.03])[:, None, None]
    found = decode(output, minimum_score=0.1, maximum_overlap=0.5)
    np.testing.assert_allclose(found.stage_probabilities, [[0.2, 0.7, 0.1]], atol=1e-6)
    assert found.centre_uncertainty_px == pytest.approx([4 * 0.5], abs=1e-5)
    assert found.axis_uncertainty == pytest.approx([0.03], abs=1e-5)


def test_extreme_output_of_an_untrained_network_gives_finite_values() -> None:
    output = np.random.default_rng(0).normal(0, 2000, (CHANNEL_COUNT, GRID, GRID)).astype(np.float32)
    found = decode(output, minimum_score=0.1, maximum_overlap=0.5)
    assert len(found.scores)
    for values in vars(found).values():
        assert np.isfinite(values).all()


def decode_slowly(output: NetworkOutput, minimum_score: float) -> list[tuple[float, NDArray[np.float64]]]:
    """Score and ellipse of every peak, cell by cell, highest score first."""
    heat_map = 1 / (1 + np.exp(-output[0].astype(np.float64)))
    found = []
    for y in range(GRID):
        for x in range(GRID):
            around = [(j, i) for j in (y - 1, y, y + 1) for i in (x - 1, x, x + 1) if 0 <= j < GRID and 0 <= i < GRID]
            if heat_map[y, x] < minimum_score or heat_map[y, x] < max(heat_map[cell] for cell in around):
                continue
            centre, shape, total = np.zeros(2), np.zeros(3), 0.0
            for j, i in around:
                total += heat_map[j, i]
                values = output[:, j, i].astype(np.float64)
                centre += heat_map[j, i] * (np.array([i, j]) + values[CHANNELS["offset"]])
                shape += heat_map[j, i] * values[CHANNELS["shape"]]
            cells = from_log_matrix(centre / total, shape / total)[0]
            found.append((float(heat_map[y, x]), cells * [4, 4, 4, 4, 1] + [1.5, 1.5, 0, 0, 0]))
    return sorted(found, key=lambda one: -one[0])


@settings(repeatably, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.9))
def test_every_peak_is_the_mean_of_its_nine_cells(seed: int, minimum_score: float) -> None:
    output = np.random.default_rng(seed).normal(0, 1.5, (CHANNEL_COUNT, GRID, GRID)).astype(np.float32)
    found = decode(output, minimum_score=minimum_score, maximum_overlap=1.0)
    expected = decode_slowly(output, minimum_score)
    np.testing.assert_allclose(found.scores, [score for score, _ in expected], rtol=1e-12)
    for row, (_, ellipse) in zip(found.ellipses, expected, strict=True):
        assert distance(row, ellipse) <= 1e-9 * (1 + np.abs(ellipse[:4]).max())
