from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.sizes import measure
from pipeline.settings import load_settings
from pipeline.track.tracks import Track

SETTINGS = load_settings().estimate


def sections(length_mm, width_mm, *, mm_per_px=0.2, count=41, part=0.95):
    """Evenly spaced planes through a spheroid along its width."""
    share = np.sqrt(1 - np.linspace(-part, part, count) ** 2)
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


# Mean lengths and widths in mm. Trachemys scripta: Iverson 2024, Chelonian Conserv Biol 22(2); Terrapene
# ornata: Legler 1960; Apalone spinifera: Packard and Packard 1979, J Morphol 159:131; Pelochelys cantorii:
# doi 10.7541/2018.097; Testudo graeca: Diaz-Paniagua et al. 1996, Can J Zool 74.
@pytest.mark.parametrize(
    ("length", "width", "shape"),
    [
        (36.7, 22.3, "oval"),
        (36.06, 21.72, "oval"),
        (25.0, 25.0, "round"),
        (31.0, 31.0, "round"),
        (33.87, 27.97, "cannot tell"),
    ],
)
def test_published_eggs_are_measured_and_named(length, width, shape):
    measured = measure([(sections(length, width), 0.2)], SETTINGS)
    assert measured.shape == shape
    assert measured.length_mm == pytest.approx(length, rel=0.03)
    assert measured.width_mm == pytest.approx(width, rel=0.03)
    assert measured.depth_mm == pytest.approx(38.0)


def test_sections_never_say_more_than_the_egg_is():
    assert measure([(sections(36.7, 22.3, part=0.5), 0.2)], SETTINGS).length_mm <= 36.7


def test_without_a_scale_there_is_a_shape_but_no_size():
    measured = measure([(sections(36.7, 22.3), None)], SETTINGS)
    assert measured.shape == "oval"
    assert (measured.length_mm, measured.width_mm, measured.depth_mm) == (None, None, None)


def test_few_sections_settle_no_shape():
    assert measure([(sections(25.0, 25.0, count=5), 0.2)], SETTINGS).shape == "cannot tell"


def test_of_several_tracks_the_largest_section_counts():
    near, far = sections(30.0, 20.0), sections(36.0, 22.0, mm_per_px=0.4)
    assert measure([(near, 0.2), (far, 0.4)], SETTINGS).length_mm == pytest.approx(36.0, rel=0.03)


def test_half_of_the_planes_through_a_sphere_show_most_of_it():
    # P(section >= x of the diameter) = sqrt(1 - x^2): 0.436 at 0.9, 0.312 at 0.95, 0.5 at 0.866 (geometry).
    shares = np.sqrt(1 - np.linspace(-1, 1, 100_001) ** 2)
    for share, probability in ((0.9, 0.436), (0.95, 0.312), (0.866, 0.5)):
        assert (shares >= share).mean() == pytest.approx(probability, abs=1e-3)
