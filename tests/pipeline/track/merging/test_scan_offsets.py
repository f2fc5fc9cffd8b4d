from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.track.merging.same_egg_likelihood import normal_log_density
from pipeline.track.merging.scan_offsets import OffsetModel, OffsetSpread, find_offsets

Floats = NDArray[np.float64]

SPREAD = OffsetSpread(prior_mean=0.0, prior_sd=12.0, inlier_sd=2.0, outlier_sd=10.0, outlier_share=0.15)


def trait(first: Floats, second: Floats) -> OffsetModel:
    step = first[:, None] - second[None]
    sd = float(np.sqrt(first.var() + second.var() + SPREAD.prior_sd**2))
    return OffsetModel(step, normal_log_density(step - step.mean(), sd), SPREAD)


def two_scans(
    seed: int, offset: tuple[float, float], shared: int = 7, alone: int = 3
) -> tuple[list[OffsetModel], Floats]:
    """Two traits, and ratios of 0, for two scans that share some objects; those come first and in the same order."""
    rng = np.random.default_rng(seed)
    positions = rng.uniform(-40, 40, (shared + 2 * alone, 2))
    first = positions[: shared + alone]
    second = np.concatenate([positions[:shared], positions[shared + alone :]]) - offset + rng.normal(0, 1, first.shape)
    traits = [trait(first[:, axis], second[:, axis]) for axis in (0, 1)]
    return traits, np.zeros((len(first), len(second)))


def test_an_offset_that_many_share_is_found() -> None:
    """In one case of ten other objects fit another offset as well by chance: measured on 400 cases."""
    cases, found, true_pairs = 200, 0, []
    shared = np.arange(7)
    rng = np.random.default_rng(1)
    for seed in range(cases):
        across, along = rng.uniform(-20, 20, 2)
        traits, ratios = two_scans(seed, (across, along))
        separate, best = find_offsets(traits, ratios, 0.5)[:2]
        assert separate.values is None
        assert best.values is not None
        if best.values == (pytest.approx(across, abs=2.0), pytest.approx(along, abs=2.0)):
            found += 1
            # With a known offset the true pairs are the most likely ones of their rows; without it they need not be.
            true_pairs.append((best.ratios.argmax(axis=1)[shared] == shared).mean())
    assert found >= 0.88 * cases
    assert np.mean(true_pairs) >= 0.97
    assert np.quantile(true_pairs, 0.05) >= 6 / 7


def test_a_known_offset_distinguishes_pairs_better_than_none() -> None:
    traits, ratios = two_scans(3, (15.0, -8.0))
    separate, shared = find_offsets(traits, ratios, 0.5)[:2]
    rows = np.arange(7)
    assert shared.ratios[rows, rows].sum() > separate.ratios[rows, rows].sum() + 7
    others = ~np.eye(10, dtype=bool)
    assert shared.ratios[others].mean() < separate.ratios[others].mean()


def test_one_pair_determines_no_offset() -> None:
    """Whatever its step, what an offset gains is lost again because such a precise offset is unlikely."""
    for step in (0.0, 5.0, 11.0):
        separate, shared = find_offsets([trait(np.array([step]), np.array([0.0]))], np.zeros((1, 1)), 0.5)
        evidence = shared.log_prior + float(shared.ratios[0, 0])
        assert evidence == pytest.approx(float(separate.ratios[0, 0]), abs=0.7)


def test_an_unusual_offset_has_a_lower_prior() -> None:
    near, far = (find_offsets(two_scans(5, (offset, 0.0))[0], np.zeros((10, 10)), 0.5)[1] for offset in (2.0, 20.0))
    assert far.values is not None
    assert far.values[0] == pytest.approx(20.0, abs=2.0)
    assert near.log_prior > far.log_prior + 1


def test_pairs_far_from_an_offset_have_little_weight() -> None:
    steps = np.array([[0.1, -0.2, 9.0]])
    one = OffsetModel(steps, np.zeros((1, 3)), OffsetSpread(0.0, 12.0, 1.0, 10.0, 0.15))
    value, precision = one.updated_offset(np.ones((1, 3)), 0.0)
    assert value == pytest.approx(0.0, abs=0.2)
    assert precision == pytest.approx(2.0 + 1 / 144, abs=0.2)


def test_without_traits_or_objects_there_is_no_offset() -> None:
    ratios = np.array([[1.0, -2.0]])
    (only,) = find_offsets([], ratios, 0.5)
    np.testing.assert_array_equal(only.ratios, ratios)
    (none,) = find_offsets([], np.zeros((1, 0)), 0.5)
    assert none.values is None


def test_very_unlikely_pairs_can_be_searched() -> None:
    traits, ratios = two_scans(2, (0.0, 0.0))
    assert len(find_offsets(traits, ratios - 50.0, 0.5)) > 1


def test_one_trait_is_no_more_than_bounded_evidence() -> None:
    """At most 4 log units for one object, and 8 against it."""
    spread = OffsetSpread(prior_mean=0.0, prior_sd=1.0, inlier_sd=1.0, outlier_sd=2.0, outlier_share=0.1)
    one = OffsetModel(np.array([[0.0, 1000.0]]), np.array([[-50.0, -50.0]]), spread)
    np.testing.assert_array_equal(one.marginal_ratios(), [[4.0, -8.0]])
    np.testing.assert_array_equal(one.ratios(0.0), [[4.0, -8.0]])


@pytest.mark.parametrize(("share", "weight"), [(0.5, 1 / 3), (0.8, 2 / 3)])
def test_the_prior_of_an_offset_is_as_precise_as_its_one_pair_is_likely(share: float, weight: float) -> None:
    """An object that may be either of two others, one of which is impossible; the trait itself says nothing.

    Prior odds of 1 (4) are shared by the two: the pair counts with odds of 1 / 2 (2), and determines the offset with
    that weight.
    """
    inlier, outlier = 0.85 / SPREAD.inlier_sd, 0.15 / SPREAD.outlier_sd
    density = (inlier + outlier) / np.sqrt(2 * np.pi)
    same = OffsetModel(np.array([[0.0, 0.0]]), np.full((1, 2), np.log(density)), SPREAD)
    separate, shared = find_offsets([same], np.array([[0.0, -100.0]]), share)
    assert separate.log_prior == 0.0
    assert shared.values == (0.0,)
    precision = 1 / 12**2 + weight * inlier / (inlier + outlier) / 2**2
    assert shared.log_prior == pytest.approx(-np.log(12) - 0.5 * np.log(precision))


@pytest.mark.parametrize("inlier_sd", [0.5, 2.0, 4.0])
def test_offsets_within_half_an_inlier_deviation_count_as_one(inlier_sd: float) -> None:
    spread = OffsetSpread(0.0, 12.0, inlier_sd, 10.0, 0.15)
    for seed in range(10):
        traits, ratios = two_scans(seed, (5.0, -5.0))
        traits = [OffsetModel(one.steps, one.different_log_density, spread) for one in traits]
        values = [one.values for one in find_offsets(traits, ratios, 0.5)[1:]]
        for first, second in itertools.combinations(values, 2):
            assert np.abs(np.subtract(first, second)).max() > 0.5 * inlier_sd


def test_of_thousands_of_pairs_the_most_likely_ones_are_enough() -> None:
    """68 by 68 objects are more pairs than take part. Other evidence is slightly in favour of the 60 true pairs."""
    traits, ratios = two_scans(1, (9.0, -6.0), shared=60, alone=8)
    assert ratios.size > 4000
    shared = np.arange(60)
    ratios[shared, shared] = 2.0
    best = find_offsets(traits, ratios, 0.5)[1]
    assert best.values == (pytest.approx(9.0, abs=0.6), pytest.approx(-6.0, abs=0.6))
