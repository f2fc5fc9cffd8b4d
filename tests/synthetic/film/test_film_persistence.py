"""Persistence in a clip: the machine shows a running mean of the frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.film.film import ClipRenderer
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import draw_machine
from tests.synthetic.appearance_samples import full_beam_density, unchanged_appearance

FRAMES = 6  # more than are rendered at once, so that the mean must go on from one group to the next


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_clip_shows_the_running_mean_of_its_frames(share: float) -> None:
    """Scan conversion is linear, so the mean of the pictures is the picture of the mean, up to rounding of the grey."""
    rng = np.random.default_rng(4)
    animal = draw_animal(rng, load_species_ranges("emys-orbicularis"), StageCounts(calcified=4))
    machine, sweep = draw_machine(rng, animal), draw_sweep(rng, animal, "left", FRAMES)

    def clip(persistence: float) -> NDArray[np.float64]:
        appearance = replace(unchanged_appearance(), density=full_beam_density(persistence=persistence))
        renderer = ClipRenderer(animal, replace(machine, appearance=appearance), 5)
        return np.array([frame.grey for frame in renderer.render(sweep, np.zeros((FRAMES, 3)), 6)], dtype=np.float64)

    single, shown = clip(0.0), clip(share)
    expected = [single[0]]
    for frame in single[1:]:
        expected.append(share * expected[-1] + (1 - share) * frame)
    assert np.abs(single - np.array(expected))[1:].max() > 20, "nothing moves in this clip, so it shows nothing"
    np.testing.assert_allclose(shown, expected, atol=1.5)
