from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.count_tolerance import is_count_right, probability_right
from pipeline.track.merging.count_distribution import CountDistribution


def test_an_egg_counts_and_two_follicles_or_a_quarter_do_not():
    numbers = np.arange(30)
    assert numbers[is_count_right(10, numbers, shelled=True)].tolist() == [9, 10, 11]
    # Of 13 follicles, a quarter is 3.25; of 8, two are tolerated.
    assert numbers[is_count_right(10, numbers, shelled=False)].tolist() == [8, 9, 10, 11, 12, 13]
    assert numbers[is_count_right(0, numbers, shelled=False)].tolist() == [0, 1, 2]


def test_the_probability_is_that_of_the_numbers_for_which_the_estimate_is_right():
    distribution = CountDistribution(7, np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1]))  # 7 to 12
    assert probability_right(distribution, 10, shelled=True) == pytest.approx(0.6)
    assert probability_right(distribution, 10, shelled=False) == pytest.approx(0.9)
