from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.stages import STAGES, clutch_stage, egg_stage
from pipeline.track.merging import Egg, Member


def egg(existence, stages):
    return Egg(1, (Member("a.mp4", 1),), existence, np.array(stages, float), 0.9)


drawn_eggs = st.lists(
    st.tuples(st.floats(0.5, 0.99), st.lists(st.floats(0.01, 1.0), min_size=3, max_size=3)).map(
        lambda drawn: egg(drawn[0], np.array(drawn[1]) / sum(drawn[1]))
    ),
    min_size=1,
    max_size=5,
)


@given(drawn_eggs)
def test_the_clutch_is_what_enumeration_says(eggs):
    chances = dict.fromkeys([*STAGES, "mixed"], 0.0)
    for outcome in itertools.product([None, *STAGES], repeat=len(eggs)):
        probability = 1.0
        for one, stage in zip(eggs, outcome, strict=True):
            probability *= 1 - one.existence if stage is None else one.existence * one.stages[STAGES.index(stage)]
        kinds = set(outcome) - {None}
        if kinds:
            chances[kinds.pop() if len(kinds) == 1 else "mixed"] += probability
    stage, probability = clutch_stage(eggs, 0.0)
    assert probability == pytest.approx(max(chances.values()), abs=1e-9)
    assert chances[stage] == pytest.approx(probability, abs=1e-9)


def test_a_clutch_without_eggs_is_none_seen_with_doubt():
    assert clutch_stage([], 0.8) == ("none seen", 0.8)


def test_follicles_beside_shelled_eggs_are_mixed():
    eggs = [egg(0.95, [0.95, 0.03, 0.02]), egg(0.95, [0.02, 0.03, 0.95])]
    assert clutch_stage(eggs, 0.0)[0] == "mixed"


def test_a_shelled_egg_has_a_shelled_stage():
    assert egg_stage(egg(0.9, [0.4, 0.35, 0.25])) == ("thin-shelled", 0.35)
    assert egg_stage(egg(0.9, [0.6, 0.3, 0.1])) == ("follicle", 0.6)
