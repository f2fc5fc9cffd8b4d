from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.track.merging.same_egg_likelihood import normal_log_density
from pipeline.track.merging.scan_offsets import OffsetModel, find_offsets

Floats = NDArray[np.float64]


def trait(first: Floats, second: Floats, *, near: float = 2.0, spread: float = 12.0) -> OffsetModel:
    step = first[:, None] - second[None]
    broad = float(np.sqrt(first.var() + second.var() + spread**2))
    return OffsetModel(step, normal_log_density(step - step.mean(), broad), 0.0, spread, near, 10.0, 0.15)


def scattered(
    seed: int, offset: tuple[float, float], shared: int = 7, alone: int = 3
) -> tuple[list[OffsetModel], Floats]:
    """Two scans that share some objects, one offset to a trait; the shared ones come first and in one order."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-40, 40, (shared + 2 * alone, 2))
    first = places[: shared + alone]
    second = np.concatenate([places[:shared], places[shared + alone :]]) - offset + rng.normal(0, 1, first.shape)
    traits = [trait(first[:, axis], second[:, axis]) for axis in (0, 1)]
    return traits, np.zeros((len(first), len(second)))


@given(seed=st.integers(0, 10_000), across=st.floats(-20, 20), along=st.floats(-20, 20))
@settings(max_examples=25, deadline=None)
def test_an_offset_that_many_share_is_found(seed: int, across: float, along: float) -> None:
    traits, nothing = scattered(seed, (across, along))
    found = find_offsets(traits, nothing, 0.5)
    assert found[0].values is None
    best = found[1].values
    assert best is not None
    assert best == (pytest.approx(across, abs=2.0), pytest.approx(along, abs=2.0))
    # Where the offset is known the true pairs are the likeliest of their rows; each for itself they need not be.
    shared = np.arange(7)
    assert (found[1].ratios.argmax(axis=1)[shared] == shared).mean() >= 6 / 7


def test_a_known_offset_says_more_of_each_pair_than_none() -> None:
    traits, nothing = scattered(3, (15.0, -8.0))
    alone, shared = find_offsets(traits, nothing, 0.5)[:2]
    rows = np.arange(7)
    assert shared.ratios[rows, rows].sum() > alone.ratios[rows, rows].sum() + 7
    others = ~np.eye(10, dtype=bool)
    assert shared.ratios[others].mean() < alone.ratios[others].mean()


def test_one_pair_tells_no_offset() -> None:
    """Whatever its step: what an offset gains it pays for in how unlikely so exact an offset is."""
    for step in (0.0, 5.0, 11.0):
        alone, shared = find_offsets([trait(np.array([step]), np.array([0.0]))], np.zeros((1, 1)), 0.5)
        evidence = shared.log_prior + float(shared.ratios[0, 0])
        assert evidence == pytest.approx(float(alone.ratios[0, 0]), abs=0.7)


def test_an_unusual_offset_is_less_likely_beforehand() -> None:
    near, far = (find_offsets(scattered(5, (offset, 0.0))[0], np.zeros((10, 10)), 0.5)[1] for offset in (2.0, 20.0))
    assert far.values is not None
    assert far.values[0] == pytest.approx(20.0, abs=2.0)
    assert near.log_prior > far.log_prior + 1


def test_the_weight_of_pairs_far_from_an_offset_is_small() -> None:
    steps = np.array([[0.1, -0.2, 9.0]])
    one = OffsetModel(steps, np.zeros((1, 3)), 0.0, 12.0, 1.0, 10.0, 0.15)
    value, precision = one.updated_offset(np.ones((1, 3)), 0.0)
    assert value == pytest.approx(0.0, abs=0.2)
    assert precision == pytest.approx(2.0 + 1 / 144, abs=0.2)


def test_without_traits_or_objects_there_is_no_offset() -> None:
    ratios = np.array([[1.0, -2.0]])
    (only,) = find_offsets([], ratios, 0.5)
    np.testing.assert_array_equal(only.ratios, ratios)
    (none,) = find_offsets([], np.zeros((1, 0)), 0.5)
    assert none.values is None


def test_no_pair_is_too_unlikely_for_a_search() -> None:
    traits, nothing = scattered(2, (0.0, 0.0))
    assert len(find_offsets(traits, nothing - 50.0, 0.5)) > 1
