from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.sizes import measure_eggs
from pipeline.settings import load_settings
from pipeline.track.tracks import Track

SETTINGS = load_settings()


def sections(length_mm, width_mm, *, mm_per_px=0.2, count=41, part=0.95):
    """Evenly spaced planes along an egg's long axis, from one side of its middle to the other."""
    share = np.sqrt(1 - np.linspace(-part, part, count) ** 2) if count > 1 else np.ones(1)
    semi = np.array([length_mm, width_mm]) / 2 / mm_per_px
    ellipses = np.column_stack(
        [np.full((count, 1), 300.0), np.full((count, 1), 200.0), share[:, None] * semi, np.zeros(count)]
    )
    return Track(
        1,
        np.arange(count),
        ellipses,
        np.full(count, 190.0),
        np.tile([0.1, 0.1, 0.8], (count, 1)),
        np.full(count, 0.8),
    )


def measured(*sightings, same_clutch=True):
    exact = SETTINGS.calibration.network.outline.shelled.model_copy(update={"width_bias": 0.0, "ratio_scale": 1.0})
    (one,) = measure_eggs([list(sightings)], same_clutch=same_clutch, settings=SETTINGS.sizes, errors=exact)
    return one


# Mean lengths and widths in mm. Trachemys scripta: Iverson 2024, Chelonian Conserv Biol 22(2); Terrapene
# ornata: Legler 1960; Apalone spinifera: Packard and Packard 1979, J Morphol 159:131; Pelochelys cantorii:
# doi 10.7541/2018.097.
@pytest.mark.parametrize(
    ("length", "width", "shape"), [(36.7, 22.3, "oval"), (36.06, 21.72, "oval"), (25.0, 25.0, None), (31.0, 31.0, None)]
)
def test_eggs_of_published_sizes_are_measured(length, width, shape):
    one = measured((sections(length, width), 0.2))
    # A circle may be a long egg cut across, so a single egg is never certainly round.
    assert one.shape == shape or (shape is None and one.shape != "oval")
    assert one.width_mm.interval90[0] <= width <= one.width_mm.interval90[1]
    assert one.width_mm.median == pytest.approx(width, rel=0.04)
    assert one.depth_mm == pytest.approx(38.0)


def test_a_clutch_of_circles_is_round():
    eggs = [[(sections(31.0, 31.0), 0.2)]] * 8
    exact = SETTINGS.calibration.network.outline.shelled.model_copy(update={"width_bias": 0.0, "ratio_scale": 1.0})
    for one in measure_eggs(eggs, same_clutch=True, settings=SETTINGS.sizes, errors=exact):
        assert one.oval_probability < 0.5


def test_without_a_scale_there_is_a_shape_but_no_size():
    one = measured((sections(36.7, 22.3), None))
    assert one.shape == "oval"
    assert (one.length_mm, one.width_mm, one.depth_mm) == (None, None, None)


@pytest.mark.parametrize("count", [1, 5])
def test_one_or_few_sections_do_not_decide_the_shape(count):
    assert measured((sections(36.7, 22.3, count=count), 0.2)).shape == "cannot tell"


def test_a_still_image_gives_a_size_with_a_wider_interval():
    still, swept = measured((sections(25.0, 25.0, count=1), 0.2)), measured((sections(25.0, 25.0), 0.2))
    low, high = still.width_mm.interval90
    assert low < 25.0 < high
    assert high - low > np.ptp(swept.width_mm.interval90)
