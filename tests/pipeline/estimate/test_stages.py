from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.stages import STAGES
from pipeline.estimate.counts import count_when_unscanned
from pipeline.estimate.results import Count
from pipeline.estimate.stages import clutch_stage, egg_stage
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack

SETTINGS = load_settings()


def egg(existence, stages):
    return Egg(1, (EggTrack("a.mp4", 1),), existence, np.array(stages, float), 0.9)


def counted(eggs, found, missed):
    """The count of the real ones among those found, and of the missed ones by the probability of 0, 1, 2 of them."""
    number = poisson_binomial(one.existence for one in found).plus(CountDistribution(0, np.array(missed)))
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
def test_the_stage_of_the_clutch_equals_the_enumeration_of_all_outcomes(shelled, follicles, more):
    """One more follicle may have been missed. Which eggs are thin-shelled depends on one doubt that all share."""
    probabilities = dict.fromkeys([*STAGES, "mixed", "none seen"], 0.0)
    for kinds, probability in outcomes(shelled):
        no_follicle = more[0] * np.prod([1 - one.existence for one in follicles])
        name = "none seen" if not kinds else kinds.copy().pop() if len(kinds) == 1 else "mixed"
        probabilities[name] += probability * no_follicle
        probabilities["mixed" if kinds else "follicle"] += probability * (1 - no_follicle)
    counts = counted(shelled, shelled, [1.0]), counted(follicles, follicles, more)
    stage, probability = clutch_stage(*counts)
    assert probability == pytest.approx(probabilities[stage], abs=1e-9)
    # The stage never contradicts the counts: eggs of one stage, of both, or together with follicles.
    some_shelled, some_follicles = (one.count.estimate > 0 for one in counts)
    if some_shelled and some_follicles:
        assert stage == "mixed"
    elif some_shelled:
        rivals = {
            name: sum(probability for kinds, probability in outcomes(shelled) if kinds == named)
            for name, named in (*((each, {each}) for each in STAGES[1:]), ("mixed", set(STAGES[1:])))
        }
        assert rivals[stage] == pytest.approx(max(rivals.values()))
    else:
        assert stage == ("follicle" if some_follicles else "none seen")


def outcomes(shelled):
    """The stages among the real ones of the eggs, and their probability: one for each part of the shared doubt."""
    limits = sorted({0.0, 1.0, *(float(one.stages[1]) for one in shelled)})
    for low, high in itertools.pairwise(limits):
        for real in itertools.product([False, True], repeat=len(shelled)):
            kinds, probability = set(), high - low
            for one, is_real in zip(shelled, real, strict=True):
                probability *= one.existence if is_real else 1 - one.existence
                if is_real:
                    kinds.add("thin-shelled" if (low + high) / 2 < one.stages[1] else "calcified")
            yield kinds, probability


def test_many_eggs_of_one_stage_are_as_sure_as_the_least_sure_of_them():
    eggs = [egg(1.0, [0.0, 1 - sure, sure]) for sure in (0.9, 0.95, 0.95, 0.9, 0.99)]
    stage, probability = clutch_stage(counted(eggs, eggs, [1.0]), counted([], [], [1.0]))
    assert (stage, probability) == ("calcified", pytest.approx(0.9))


def test_follicles_that_may_have_been_missed_make_the_stage_less_sure():
    eggs = [egg(0.99, [0.0, 0.02, 0.98])] * 3
    sure = clutch_stage(counted(eggs, eggs, [1.0]), counted([], [], [1.0]))
    doubtful = clutch_stage(counted(eggs, eggs, [1.0]), counted([], [], [0.8, 0.2]))
    assert sure[0] == doubtful[0] == "calcified"
    assert doubtful[1] == pytest.approx(0.8 * sure[1])


def test_none_seen_has_a_probability_below_one():
    assert clutch_stage(counted([], [], [1.0]), counted([], [], [0.8, 0.2])) == ("none seen", pytest.approx(0.8))


def test_the_stage_of_eggs_that_are_counted_but_not_listed_is_an_even_chance():
    stage, probability = clutch_stage(counted([], [egg(0.9, [0.0, 0.5, 0.5])], [1.0]), counted([], [], [1.0]))
    assert (stage, probability) == ("thin-shelled", pytest.approx(0.45))


def test_a_shelled_egg_has_a_shelled_stage():
    assert egg_stage(egg(0.9, [0.4, 0.35, 0.25])) == ("thin-shelled", 0.35)
    assert egg_stage(egg(0.9, [0.6, 0.3, 0.1])) == ("follicle", 0.6)
