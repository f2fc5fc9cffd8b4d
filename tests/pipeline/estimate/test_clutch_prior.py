from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.clutch_prior import UsualClutch, usual_clutch
from pipeline.exams.species import load_profiles, profile_of
from pipeline.track.merging.count_distribution import Distribution

FEW = UsualClutch("Chersobius signatus", 1, 2, "an invented source")
MANY = UsualClutch("Emys orbicularis", 8, 10, "an invented source")
OPEN = Distribution(0, np.array([0.2, *[0.8 / 12] * 12]))


def test_numbers_that_no_clutch_has_become_unlikely_and_not_impossible():
    few, many = (clutch.weighed(OPEN, share=0.85) for clutch in (FEW, MANY))
    assert few.within(1, 2) > 5 * few.within(3, 12)
    assert many.within(7, 10) > many.within(1, 6)
    assert few.within(12, 12) > 0


def test_whether_she_carries_any_is_left_as_it_was():
    assert FEW.weighed(OPEN, share=0.85).within(0, 0) == pytest.approx(0.2)


def test_what_is_certain_stays():
    assert FEW.weighed(Distribution(7, np.ones(1)), share=0.85).within(7, 7) == pytest.approx(1.0)


def test_a_smaller_share_crossed_makes_small_numbers_likelier():
    assert MANY.weighed(OPEN, share=0.5).mean < MANY.weighed(OPEN, share=0.95).mean


def test_the_clutch_of_a_species_is_the_widest_that_its_sources_tell():
    clutch = usual_clutch(profile_of("Emys orbicularis", load_profiles()))
    assert clutch is not None
    assert (clutch.lowest, clutch.highest) == (3, 18)
    assert "Fritz 2001" in clutch.sources
    assert usual_clutch(None) is None
