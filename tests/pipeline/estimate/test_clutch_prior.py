from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.clutch_prior import ClutchPrior, clutch_prior_of
from pipeline.exams.species import find_profile, load_profiles
from pipeline.track.merging.count_distribution import CountDistribution

FEW = ClutchPrior("Chersobius signatus", 1, 2, "an invented source")
MANY = ClutchPrior("Emys orbicularis", 8, 10, "an invented source")
OPEN = CountDistribution(0, np.array([0.2, *[0.8 / 12] * 12]))


def test_numbers_outside_the_usual_clutch_become_unlikely_but_not_impossible():
    few, many = (clutch.reweighted(OPEN, share=0.85) for clutch in (FEW, MANY))
    assert few.probability_within(1, 2) > 5 * few.probability_within(3, 12)
    assert many.probability_within(7, 10) > many.probability_within(1, 6)
    assert few.probability_within(12, 12) > 0


def test_the_probability_of_zero_stays_as_it_is():
    assert FEW.reweighted(OPEN, share=0.85).probability_within(0, 0) == pytest.approx(0.2)


def test_a_certain_number_stays_certain():
    assert FEW.reweighted(CountDistribution(7, np.ones(1)), share=0.85).probability_within(7, 7) == pytest.approx(1.0)


def test_a_smaller_share_crossed_makes_small_numbers_more_likely():
    assert MANY.reweighted(OPEN, share=0.5).mean < MANY.reweighted(OPEN, share=0.95).mean


def test_the_clutch_of_a_species_is_the_widest_range_of_its_sources():
    clutch = clutch_prior_of(find_profile("Emys orbicularis", load_profiles()))
    assert clutch is not None
    assert (clutch.lowest, clutch.highest) == (3, 18)
    assert "Fritz 2001" in clutch.sources
    assert clutch_prior_of(None) is None
