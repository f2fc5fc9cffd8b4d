"""Answers made by hand: which peaks count, what is told of them, and which of two outlines stays."""

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


def silence() -> NetworkOutput:
    """(11, G, G) an answer that says with great sureness that there is nothing."""
    answer = np.zeros((CHANNEL_COUNT, GRID, GRID), dtype=np.float32)
    answer[CHANNELS["centre"]] = -20.0
    return answer


def logit(probability: float) -> float:
    return float(np.log(probability / (1 - probability)))


def with_peak(
    answer: NetworkOutput, *, cell: tuple[int, int], score: float, at: tuple[float, float], semi: float
) -> NetworkOutput:
    """The answer with one more sure cell (x, y), which tells with its neighbours of a circle at a place in cells."""
    x, y = cell
    answer[0, y, x] = logit(score)
    near = np.s_[y - 1 : y + 2, x - 1 : x + 2]
    rows, columns = np.mgrid[near]
    answer[CHANNELS["offset"]][:, *near] = np.stack([at[0] - columns, at[1] - rows])
    answer[CHANNELS["shape"]][:, *near] = np.array([np.log(semi), np.log(semi), 0.0])[:, None, None]
    return answer


def test_nothing_is_found_in_silence() -> None:
    found = decode(silence(), minimum_score=0.1, maximum_overlap=0.5)
    assert found.ellipses.shape == (0, 5)
    assert found.stage_probabilities.shape == (0, 3)
    assert found.scores.shape == found.centre_uncertainty_px.shape == found.axis_uncertainty.shape == (0,)


def test_a_peak_gives_its_ellipse_in_pixels() -> None:
    answer = with_peak(silence(), cell=(5, 9), score=0.8, at=(5.25, 8.75), semi=3.0)
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.5)
    # A cell holds four pixels, 0 to 3, so its middle lies at 1.5: 5.25 cells are at 22.5 px and 8.75 at 36.5.
    assert distance(found.ellipses[0], [22.5, 36.5, 12.0, 12.0, 0.0]) <= 1e-5
    assert found.scores == pytest.approx([0.8], abs=1e-6)


@pytest.mark.parametrize(("minimum", "count"), [(0.29, 3), (0.31, 2), (0.61, 1), (0.95, 0)])
def test_only_peaks_of_the_minimum_score_count(minimum: float, count: int) -> None:
    answer = silence()
    for cell, score in (((3, 3), 0.3), ((12, 3), 0.6), ((8, 12), 0.9)):
        with_peak(answer, cell=cell, score=score, at=cell, semi=1.0)
    assert len(decode(answer, minimum_score=minimum, maximum_overlap=0.5).scores) == count


def test_a_score_at_the_minimum_counts() -> None:
    answer = with_peak(silence(), cell=(5, 5), score=0.5, at=(5, 5), semi=1.0)  # the logit is exactly 0
    assert len(decode(answer, minimum_score=0.5, maximum_overlap=0.5).scores) == 1


def test_surest_come_first_and_no_more_than_asked_for() -> None:
    answer = silence()
    for cell, score in (((3, 3), 0.3), ((12, 3), 0.9), ((8, 12), 0.6)):
        with_peak(answer, cell=cell, score=score, at=cell, semi=1.0)
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.5)
    assert found.scores == pytest.approx([0.9, 0.6, 0.3], abs=1e-6)
    two = decode(answer, minimum_score=0.1, maximum_overlap=0.5, max_objects=2)
    np.testing.assert_array_equal(two.ellipses, found.ellipses[:2])


def test_of_two_outlines_of_one_object_the_surer_stays() -> None:
    answer = with_peak(silence(), cell=(5, 8), score=0.7, at=(7.0, 8.0), semi=4.0)
    with_peak(answer, cell=(9, 8), score=0.9, at=(7.5, 8.0), semi=4.0)
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.5)
    assert found.scores == pytest.approx([0.9], abs=1e-6)
    assert found.ellipses[0, 0] == pytest.approx(31.5, abs=1e-4)


def test_how_much_two_outlines_may_overlap_is_the_callers_to_say() -> None:
    answer = with_peak(silence(), cell=(4, 8), score=0.7, at=(4.0, 8.0), semi=4.0)
    with_peak(answer, cell=(9, 8), score=0.9, at=(9.0, 8.0), semi=4.0)
    shared = float(overlap([4, 8, 4, 4, 0], [9, 8, 4, 4, 0])[0, 0])
    assert len(decode(answer, minimum_score=0.1, maximum_overlap=shared + 0.01).scores) == 2
    assert len(decode(answer, minimum_score=0.1, maximum_overlap=shared - 0.01).scores) == 1


def test_a_dropped_outline_drops_nobody_else() -> None:
    # In a row of three, each over the next, the weakest overlaps only the middle one, and that one is dropped.
    answer = with_peak(silence(), cell=(3, 8), score=0.9, at=(3.0, 8.0), semi=4.0)
    with_peak(answer, cell=(7, 8), score=0.8, at=(6.0, 8.0), semi=4.0)
    with_peak(answer, cell=(11, 8), score=0.7, at=(9.0, 8.0), semi=4.0)
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.3)
    assert found.scores == pytest.approx([0.9, 0.7], abs=1e-6)


def test_stages_and_spreads_are_those_of_the_peak() -> None:
    answer = with_peak(silence(), cell=(5, 9), score=0.9, at=(5.0, 9.0), semi=2.0)
    answer[CHANNELS["stage"]] = np.log([0.2, 0.7, 0.1])[:, None, None]
    answer[CHANNELS["uncertainty"]] = np.log([0.5, 0.03])[:, None, None]
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.5)
    np.testing.assert_allclose(found.stage_probabilities, [[0.2, 0.7, 0.1]], atol=1e-6)
    assert found.centre_uncertainty_px == pytest.approx([4 * 0.5], abs=1e-5)
    assert found.axis_uncertainty == pytest.approx([0.03], abs=1e-5)


def test_an_untrained_networks_wild_numbers_are_survived() -> None:
    answer = np.random.default_rng(0).normal(0, 2000, (CHANNEL_COUNT, GRID, GRID)).astype(np.float32)
    found = decode(answer, minimum_score=0.1, maximum_overlap=0.5)
    assert len(found.scores)
    for values in vars(found).values():
        assert np.isfinite(values).all()


def slowly(answer: NetworkOutput, minimum_score: float) -> list[tuple[float, NDArray[np.float64]]]:
    """Score and ellipse of every peak, one cell after the other, surest first."""
    heat_map = 1 / (1 + np.exp(-answer[0].astype(np.float64)))
    found = []
    for y in range(GRID):
        for x in range(GRID):
            around = [(j, i) for j in (y - 1, y, y + 1) for i in (x - 1, x, x + 1) if 0 <= j < GRID and 0 <= i < GRID]
            if heat_map[y, x] < minimum_score or heat_map[y, x] < max(heat_map[cell] for cell in around):
                continue
            centre, shape, total = np.zeros(2), np.zeros(3), 0.0
            for j, i in around:
                total += heat_map[j, i]
                said = answer[:, j, i].astype(np.float64)
                centre += heat_map[j, i] * (np.array([i, j]) + said[CHANNELS["offset"]])
                shape += heat_map[j, i] * said[CHANNELS["shape"]]
            cells = from_log_matrix(centre / total, shape / total)[0]
            found.append((float(heat_map[y, x]), cells * [4, 4, 4, 4, 1] + [1.5, 1.5, 0, 0, 0]))
    return sorted(found, key=lambda one: -one[0])


@settings(repeatably, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.9))
def test_every_peak_of_any_answer_is_the_mean_of_its_nine_cells(seed: int, minimum_score: float) -> None:
    answer = np.random.default_rng(seed).normal(0, 1.5, (CHANNEL_COUNT, GRID, GRID)).astype(np.float32)
    found = decode(answer, minimum_score=minimum_score, maximum_overlap=1.0)
    expected = slowly(answer, minimum_score)
    np.testing.assert_allclose(found.scores, [score for score, _ in expected], rtol=1e-12)
    for row, (_, ellipse) in zip(found.ellipses, expected, strict=True):
        assert distance(row, ellipse) <= 1e-9 * (1 + np.abs(ellipse[:4]).max())
