from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.counts import count_when_unscanned
from pipeline.estimate.results import Count
from pipeline.estimate.stages import STAGES, clutch_stage, egg_stage
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack

SETTINGS = load_settings()


def egg(existence, stages):
    return Egg(1, (EggTrack("a.mp4", 1),), existence, np.array(stages, float), 0.9)


def counted(eggs, found, overlooked):
    """As a tally says it: so many listed ones that are real, and none, one or two more that every sweep overlooked."""
    number = poisson_binomial(one.existence for one in found).plus(CountDistribution(0, np.array(overlooked)))
    return replace(
        count_when_unscanned(SETTINGS.estimate),
        count=Count(0, number.median, (0, 99)),
        distribution=number,
        eggs=tuple(eggs),
    )


drawn = st.tuples(st.floats(0.5, 0.99), st.lists(st.floats(0.01, 1.0), min_size=2, max_size=2)).map(
    lambda drawn: egg(drawn[0], [0.0, *(np.array(drawn[1]) / sum(drawn[1]))])
)
follicle = st.floats(0.5, 0.99).map(lambda existence: egg(existence, [1.0, 0.0, 0.0]))
rest = st.sampled_from([[1.0], [0.7, 0.3]])


@given(st.lists(drawn, max_size=4), st.lists(follicle, max_size=2), rest)
def test_the_clutch_is_what_enumeration_says(shelled, follicles, more):
    """Of follicles one more may have been overlooked."""
    chances = dict.fromkeys([*STAGES, "mixed", "none seen"], 0.0)
    for outcome in itertools.product([None, *STAGES], repeat=len(shelled) + len(follicles)):
        for missed, chance in enumerate(more):
            probability = chance
            for one, stage in zip([*shelled, *follicles], outcome, strict=True):
                probability *= 1 - one.existence if stage is None else one.existence * one.stages[STAGES.index(stage)]
            kinds = (set(outcome) | ({"follicle"} if missed else set())) - {None}
            chances["none seen" if not kinds else kinds.pop() if len(kinds) == 1 else "mixed"] += probability
    told = counted(shelled, shelled, [1.0]), counted(follicles, follicles, more)
    stage, probability = clutch_stage(*told)
    assert probability == pytest.approx(chances[stage], abs=1e-9)
    # It never says other than what is counted: eggs of one stage, of both, or follicles beside them.
    some_shelled, some_follicles = (tally.count.estimate > 0 for tally in told)
    if some_shelled and some_follicles:
        assert stage == "mixed"
    elif some_shelled:
        rivals = {name: _without_follicles(shelled, name) for name in ("thin-shelled", "calcified", "mixed")}
        assert rivals[stage] == pytest.approx(max(rivals.values()))
    else:
        assert stage == ("follicle" if some_follicles else "none seen")


def _without_follicles(shelled, name):
    total = 0.0
    for outcome in itertools.product([None, *STAGES[1:]], repeat=len(shelled)):
        kinds = set(outcome) - {None}
        if kinds and (kinds == {name} if name != "mixed" else len(kinds) == 2):
            total += np.prod(
                [
                    1 - one.existence if stage is None else one.existence * one.stages[STAGES.index(stage)]
                    for one, stage in zip(shelled, outcome, strict=True)
                ]
            )
    return total


def test_follicles_that_may_have_been_overlooked_make_the_stage_less_sure():
    eggs = [egg(0.99, [0.0, 0.02, 0.98])] * 3
    sure = clutch_stage(counted(eggs, eggs, [1.0]), counted([], [], [1.0]))
    doubtful = clutch_stage(counted(eggs, eggs, [1.0]), counted([], [], [0.8, 0.2]))
    assert sure[0] == doubtful[0] == "calcified"
    assert doubtful[1] == pytest.approx(0.8 * sure[1])


def test_a_clutch_without_eggs_is_none_seen_with_doubt():
    assert clutch_stage(counted([], [], [1.0]), counted([], [], [0.8, 0.2])) == ("none seen", pytest.approx(0.8))


def test_eggs_that_are_counted_and_not_listed_have_a_stage_that_nothing_tells():
    stage, probability = clutch_stage(counted([], [egg(0.9, [0.0, 0.5, 0.5])], [1.0]), counted([], [], [1.0]))
    assert (stage, probability) == ("thin-shelled", pytest.approx(0.45))


def test_a_shelled_egg_has_a_shelled_stage():
    assert egg_stage(egg(0.9, [0.4, 0.35, 0.25])) == ("thin-shelled", 0.35)
    assert egg_stage(egg(0.9, [0.6, 0.3, 0.1])) == ("follicle", 0.6)
