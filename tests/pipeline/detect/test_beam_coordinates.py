from __future__ import annotations

import numpy as np
import pytest

from models.ellipse import contains
from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.ingest.sector.sector import Sector

MASK = np.ones((400, 600), dtype=bool)
BOX = (0, 0, 600, 400)
SECTORS = [
    Sector("fan", MASK, BOX, (300.0, -80.0), 90.0, 470.0),
    Sector("fan", MASK, BOX, (300.0, 480.0), 90.0, 470.0, upside_down=True),
    Sector("rectangle", MASK, BOX),
    Sector("rectangle", MASK, BOX, steering=0.2),
]
EGG = np.array([340.0, 210.0, 60.0, 40.0, 30.0])


@pytest.mark.parametrize("sector", SECTORS)
def test_both_conversions_are_inverse_to_each_other(sector):
    beams = BeamCoordinates(sector)
    points = np.random.default_rng(3).uniform(20, 380, (50, 2))
    x, y = beams.to_xy(*beams.to_beam_depth(points))
    np.testing.assert_allclose(np.column_stack([x, y]), points, atol=1e-9)


@pytest.mark.parametrize("sector", SECTORS)
def test_the_entry_depth_of_a_beam_is_on_the_outline_and_the_beam_comes_from_outside(sector):
    beams = BeamCoordinates(sector)
    (extent,) = beams.extents(EGG[None])
    beam = np.linspace(extent.first_beam, extent.last_beam, 9)[1:-1]
    entry = beams.entry_depths(EGG, beam)
    for step, inside in ((-0.5, False), (0.5, True)):
        points = np.column_stack(beams.to_xy(beam, entry + step))
        assert (contains(EGG[None], points)[0] == inside).all()
    assert (entry > extent.near_depth - 0.2).all()
    assert (entry < extent.far_depth).all()


def test_a_beam_that_misses_the_outline_has_no_entry_depth():
    beams = BeamCoordinates(SECTORS[2])
    assert np.isnan(beams.entry_depths(EGG, np.array([20.0]))).all()


@pytest.mark.parametrize("sector", SECTORS[:2])
def test_depth_in_a_fan_agrees_with_the_sector(sector):
    points = np.array([[250.0, 200.0], [330.0, 260.0]])
    _, depth = BeamCoordinates(sector).to_beam_depth(points)
    np.testing.assert_allclose(depth - sector.inner_radius_px, sector.depth_px(points), atol=1e-9)
