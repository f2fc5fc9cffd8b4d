"""What females carry: clutches of their species, in the shares of the mix."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.reproductive_state import draw_stage_counts
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges


@pytest.mark.parametrize("name", PHANTOM_SPECIES)
def test_stage_counts_are_clutches_of_the_species(name: str) -> None:
    rng = np.random.default_rng(1)
    low, high = load_species_ranges(name).clutch
    drawn = [draw_stage_counts(rng, load_species_ranges(name)) for _ in range(600)]
    for counts in drawn:
        shelled = [number for number in (counts.calcified, counts.thin_shelled) if number]
        # Eggs of one stage, never of both, and always a whole clutch.
        assert len(shelled) <= 1
        assert all(low <= number <= high for number in shelled)
        assert counts.follicles == 0 or 4 <= counts.follicles <= 40
    shares = Counter(
        "nothing" if counts == StageCounts() else "shells" if counts.calcified or counts.thin_shelled else "follicles"
        for counts in drawn
    )
    assert shares["shells"] / 600 == pytest.approx(0.71, abs=0.06)
    assert shares["nothing"] / 600 == pytest.approx(0.09, abs=0.04)
