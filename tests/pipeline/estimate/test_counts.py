from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.counts import Reach, tally, unscanned
from pipeline.settings import load_settings
from pipeline.track.distribution import Distribution, certainly
from pipeline.track.merging import Egg, Grouping, Member

SETTINGS = load_settings().estimate
SHELL, YOLK = np.array([0.02, 0.08, 0.9]), np.array([0.9, 0.08, 0.02])
THOROUGH = Reach(both_windows=True, repeated=True)


def grouping_of(existences, *, stages=SHELL, shift=None, assurance=0.9):
    eggs = tuple(Egg(k, (Member("a.mp4", k),), e, stages, assurance) for k, e in enumerate(existences, 1))
    return Grouping(eggs, (certainly(0), shift or certainly(0)), 2)


def count_of(grouping, *, at_least=0, reach=THOROUGH, shelled=True):
    return tally(grouping, shelled=shelled, at_least=at_least, reach=reach, settings=SETTINGS)


shifts = st.lists(st.floats(0.01, 1.0), min_size=1, max_size=6).flatmap(
    lambda weights: st.integers(-4, 2).map(lambda low: Distribution(low, np.array(weights) / sum(weights)))
)


@given(
    st.lists(st.floats(0.0, 0.99), max_size=20),
    shifts,
    st.integers(0, 5),
    st.booleans(),
    st.booleans(),
)
def test_bound_estimate_and_interval_are_in_order(existences, shift, at_least, both, repeated):
    result = count_of(grouping_of(existences, shift=shift), at_least=at_least, reach=Reach(both, repeated))
    low, high = result.count.interval90
    assert result.count.at_least <= low <= result.count.estimate <= high
    assert high >= 1
    assert 0.0 <= result.confidence <= 1.0
    assert len(result.eggs) >= min(result.count.estimate, sum(e >= SETTINGS.listed_existence for e in existences))


def test_shapes_that_never_quite_look_like_eggs_are_doubtful_and_not_counted():
    lookalikes = grouping_of([0.99, 0.99], assurance=SETTINGS.gravid_score - 0.01)
    result = count_of(lookalikes)
    assert (result.count.estimate, result.eggs, len(result.doubtful)) == (0, (), 2)
    assert count_of(grouping_of([0.99, 0.99], assurance=SETTINGS.gravid_score)).count.estimate == 2
    # Follicles are fainter by nature: they are counted by their existence alone.
    faint = grouping_of([0.99, 0.99], stages=YOLK, assurance=SETTINGS.gravid_score - 0.01)
    assert count_of(faint, shelled=False).count.estimate == 2


@pytest.mark.parametrize("both", [True, False])
def test_none_seen_is_never_none(both):
    result = count_of(grouping_of([]), reach=Reach(both, False))
    assert result.count.estimate == 0
    assert result.count.interval90[0] == 0
    assert result.count.interval90[1] >= 1


def test_doubtful_shapes_alone_are_not_counted_but_kept_for_a_person():
    result = count_of(grouping_of([0.7, 0.6, 0.3]))
    assert result.count.estimate == 0
    assert result.eggs == ()
    assert [egg.existence for egg in result.doubtful] == [0.7, 0.6]


def test_sure_eggs_are_counted_as_they_are():
    result = count_of(grouping_of([0.99] * 6), at_least=3)
    assert (result.count.at_least, result.count.estimate) == (3, 6)
    assert result.confidence > 0.85


def test_each_kind_is_counted_apart():
    shelled, follicles = grouping_of([0.99] * 3), grouping_of([0.99] * 5, stages=YOLK)
    both = Grouping(shelled.eggs + follicles.eggs, (certainly(0), certainly(0)), 2)
    assert [count_of(both, shelled=kind).count.estimate for kind in (True, False)] == [3, 5]


def spreads(reach, shift=None):
    """Interval widths and standard deviations of the number crossed, for few eggs and for many."""
    results = [count_of(grouping_of([0.97] * number, shift=shift), reach=reach) for number in (2, 8, 26)]
    widths = [r.count.interval90[1] - r.count.interval90[0] for r in results]
    return widths, [r.crossed.variance**0.5 for r in results]


def test_the_interval_widens_with_the_number():
    for spread in spreads(THOROUGH):
        assert spread == sorted(set(spread))


def test_the_interval_widens_with_doubt():
    widths, deviations = spreads(THOROUGH)
    one_window, _ = spreads(Reach(both_windows=False, repeated=True))
    _, single_deviations = spreads(Reach(both_windows=True, repeated=False))
    unsure_widths, unsure_deviations = spreads(THOROUGH, Distribution(-2, np.full(3, 1 / 3)))
    assert all(a < b for a, b in zip(widths, one_window, strict=True))
    assert all(a < b for a, b in zip(deviations, single_deviations, strict=True))
    assert all(a <= b for a, b in zip(widths, unsure_widths, strict=True))
    assert all(a < b for a, b in zip(deviations, unsure_deviations, strict=True))


def test_doubt_about_merges_lowers_the_estimate_with_its_median():
    sure = count_of(grouping_of([0.99] * 8, shift=Distribution(-2, np.array([0.7, 0.2, 0.1]))))
    assert sure.count.estimate == 6


def test_an_animal_that_could_not_be_scanned_may_carry_many():
    result = unscanned(SETTINGS)
    assert result.count.estimate == 0
    assert result.count.interval90[1] >= 10
