"""The border of rendered balls with and without a wall."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.detect.border_signs import measure_border
from pipeline.detect.shell_signs import measure_signs
from tests.pipeline.detect.rendered_egg import GREY_PER_DB, rendered_egg

WALL = {"rim_db": 12.0, "rim_mm": 0.5}


def signs_of(material):
    rendered = rendered_egg(material)
    (signs,) = measure_signs(rendered.picture, BeamCoordinates(rendered.sector), rendered.ellipse[None], [0])
    assert signs is not None
    return signs


@pytest.mark.parametrize("echo_db", [-12.0, 0.0, 6.0, 12.0])
def test_a_ball_has_a_wall_all_round_only_if_it_has_one(echo_db):
    # The near wall of a bright ball is brighter than the tissue around it, whether there is a wall or not.
    assert signs_of({"echo_db": echo_db}).wall_all_round < 1.5 * GREY_PER_DB
    if echo_db <= 0:
        assert signs_of(WALL | {"echo_db": echo_db}).wall_all_round > 4 * GREY_PER_DB


@pytest.mark.parametrize("echo_db", [-12.0, -6.0, 6.0, 12.0])
def test_a_well_bounded_ball_steps_all_round(echo_db):
    assert signs_of({"echo_db": echo_db}).step_all_round == pytest.approx(abs(echo_db) * GREY_PER_DB, abs=10.0)


def test_without_contrast_nothing_steps():
    assert signs_of({}).step_all_round < GREY_PER_DB


def disc(level_in, level_out, wall):
    """A sampler of a disc of radius 10 at the origin with a wall one px thick."""

    def sample(x, y):
        radius = np.hypot(x, y)
        levels = np.where(radius < 10, level_in, level_out) + wall * (np.abs(radius - 10) < 0.5)
        return levels, np.ones(x.shape, bool)

    return sample


def test_each_direction_is_compared_with_itself():
    border = measure_border(np.array([0.0, 0.0, 10.0, 10.0, 30.0]), disc(80.0, 40.0, 60.0))
    assert border.step == pytest.approx(40.0)
    assert border.wall == pytest.approx(60.0)


def test_what_is_seen_on_one_side_only_is_not_all_round():
    half = disc(80.0, 40.0, 60.0), disc(80.0, 80.0, 0.0)

    def sample(x, y):
        (levels, visible), (plain, _) = half[0](x, y), half[1](x, y)
        return np.where(x > 0, levels, plain), visible

    border = measure_border(np.array([0.0, 0.0, 10.0, 10.0, 0.0]), sample)
    assert border.step < 10.0
    assert border.wall < 10.0


def test_a_border_that_is_mostly_hidden_is_not_measured():
    def sample(x, y):
        return np.zeros(x.shape), x > 0

    border = measure_border(np.array([0.0, 0.0, 10.0, 10.0, 0.0]), sample)
    assert np.isnan([border.wall, border.step]).all()
