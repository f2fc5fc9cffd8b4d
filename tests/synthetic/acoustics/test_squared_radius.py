"""Tubes: the ellipsoid drawn out and bent, against capsules, and its gradient against differentiation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from torch import Tensor

from models.ellipsoid import nearest_ellipsoid
from synthetic.acoustics.beam_rendering import Plane
from synthetic.acoustics.geometry import beam_grid
from synthetic.acoustics.render_parameters import Pulse, RenderParameters, render_parameters
from synthetic.acoustics.squared_radius import SquaredRadius, squared_radius
from synthetic.acoustics.tissue import TissueNoise
from tests.models.ellipse_strategies import repeatably
from tests.synthetic.acoustic_bench import Body, bodies, column, console, linear, offsets, plane, render, tissue

seeds = st.integers(0, 2**32 - 1)
radii = st.floats(1.0, 8.0)
half_lengths = st.floats(0.5, 40.0)
slopes = st.floats(0.0, 0.9)


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def parameters(body: Body, at: Plane) -> RenderParameters:
    scanner = linear()
    pulse = Pulse(column(5, 1), column(0.6, 1), column(1, 1), column(0.2, 1))
    return render_parameters(bodies(1, body), at, beam_grid(scanner, 8, 8), pulse).over_grid()


def at_points(body: Body, points: Tensor) -> SquaredRadius:
    """At (N, 3) places of the body, each on a plane through it along x and z."""
    parts = [
        squared_radius(parameters(body, plane(1, place.tolist())), torch.zeros(1, 1, 1), torch.zeros(1, 1, 1))
        for place in points
    ]
    return SquaredRadius(*(torch.cat(values).flatten() for values in zip(*parts, strict=True)))


def random_tube(seed: int, radius: float, half_length: float, slope: float) -> Body:
    rng = np.random.default_rng(seed)
    semi_axes = (radius, radius * float(rng.uniform(0.5, 1.0)), radius)
    return Body(
        tuple(rng.uniform(-5, 5, 3)),
        semi_axes,
        {"echo_db": -30.0},
        Rotation.random(rng=rng).as_matrix(),
        half_length,
        slope / half_length,
    )


@repeatably
@given(seeds, radii, half_lengths)
def test_a_straight_round_tube_is_a_capsule(seed: int, radius: float, half_length: float) -> None:
    """Distance to a capsule: that to the piece of line in its middle, less its radius."""
    tube = replace(random_tube(seed, radius, half_length, 0.0), semi_axes=(radius,) * 3)
    points = np.random.default_rng(seed).uniform(-50, 50, (8, 3))
    from_centre = points - np.array(tube.centre)
    axis = tube.rotation[:, 0]
    along = (from_centre @ axis).clip(-half_length, half_length)
    exact = np.linalg.norm(from_centre - along[:, None] * axis, axis=1) - radius
    found = (at_points(tube, torch.from_numpy(points)).q2.sqrt() - 1) * radius
    np.testing.assert_allclose(found, exact, atol=0.02)


@pytest.mark.parametrize("across", [True, False])
def test_a_tube_is_round_across_and_a_stadium_along(across: bool) -> None:
    radius, half_length = 4.0, 11.0
    rotation = Rotation.from_euler("z", 90 if across else 0, degrees=True).as_matrix()
    tube = Body((0, 0, 0), (radius,) * 3, {}, rotation, half_length)
    x, z = torch.meshgrid(torch.linspace(-20, 20, 161), torch.linspace(-20, 20, 161), indexing="ij")
    inside = squared_radius(parameters(tube, plane()), x[None], z[None]).q2[0, 0] < 1
    length = 0.0 if across else half_length
    expected = (x.abs() - length).clamp(min=0) ** 2 + z**2 < radius**2
    assert (inside == expected).all()


@repeatably
@given(seeds, radii, half_lengths, slopes)
def test_a_bent_tube_is_centred_on_a_parabola_and_as_thick_as_its_ellipsoid(
    seed: int, radius: float, half_length: float, slope: float
) -> None:
    tube = random_tube(seed, radius, half_length, slope)
    axis, side, third = tube.rotation.T
    t = np.linspace(-half_length, half_length, 7)[:, None]
    middle = np.array(tube.centre) + t * axis + 0.5 * tube.bend * t**2 * side
    assert at_points(tube, torch.from_numpy(middle)).q2.max() < 0.01
    _, second_mm, third_mm = tube.semi_axes
    for surface in (middle + second_mm * side, middle - third_mm * third):
        np.testing.assert_allclose(at_points(tube, torch.from_numpy(surface)).q2, 1.0, atol=0.01)


@repeatably
@given(seeds, radii, half_lengths, slopes)
def test_the_gradient_is_that_of_the_squared_radius(seed: int, radius: float, half_length: float, slope: float) -> None:
    tube = random_tube(seed, radius, half_length, slope)
    points = np.random.default_rng(seed).uniform(-20, 20, (4, 3))
    step = 0.01
    found = at_points(tube, torch.from_numpy(points))
    scale = float(torch.stack(found[1:]).abs().max()) + 0.1
    along = (points - np.array(tube.centre)) @ tube.rotation[:, 0]
    smooth = np.abs(np.abs(along) - half_length) > 2 * step  # the ends of a bent tube meet its middle at an angle
    # The bench's plane spans x and z; across is right x down, which is -y.
    for half_gradient, direction in zip(found[1:], np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]]), strict=True):
        ahead, behind = (
            at_points(tube, torch.from_numpy(points + sign * step * direction)).q2.double() for sign in (1, -1)
        )
        slope_there = ((ahead - behind) / (4 * step)).numpy()
        np.testing.assert_allclose(half_gradient.numpy()[smooth], slope_there[smooth], atol=0.02 * scale)


def test_a_tube_without_length_is_drawn_exactly_as_its_ellipsoid(noise: TissueNoise) -> None:
    wall = {"echo_db": -20.0, "rim_db": 20.0, "loss_db": 2.0, "unevenness": 0.1}
    turned = Rotation.random(random_state=3).as_matrix()
    round_body = Body((2, 1, 30), (9, 6, 7), wall, turned)
    # Beside a tube out of sight, so that the general form is used, see drawing._Features.
    far = Body((0, 0, 900), (3, 3, 3), wall, turned, 20.0, 0.01)
    both = bodies(1, replace(round_body, bend=0.05), far)
    as_tube = replace(both, half_length=torch.tensor([[1e-30, 20.0]]))
    alone = render(bodies(1, round_body), linear(), console(), noise)
    for seen in (both, as_tube):
        assert torch.equal(render(seen, linear(), console(), noise).echo_db, alone.echo_db)


@repeatably
@given(seeds, radii, half_lengths, slopes)
def test_the_ellipsoid_nearest_to_a_plane_is_the_nearest_of_many(
    seed: int, radius: float, half_length: float, slope: float
) -> None:
    tube = random_tube(seed, radius, half_length, slope)
    seen = bodies(1, tube)
    u, v, normal = Rotation.random(random_state=seed % 1000).as_matrix().T
    origin = np.random.default_rng(seed).uniform(-30, 30, 3)
    at = (torch.from_numpy(value).float()[None, None] for value in (origin, u, v))
    nearest = nearest_ellipsoid(seen.centre, seen.rotation, seen.half_length, seen.bend, *at)[0, 0].double().numpy()
    t = np.linspace(-half_length, half_length, 4001)[:, None]
    axis, side, _ = tube.rotation.T
    line = np.array(tube.centre) + t * axis + 0.5 * tube.bend * t**2 * side
    assert np.linalg.norm(line - nearest, axis=1).min() < 0.05
    assert abs((nearest - origin) @ normal) <= np.abs((line - origin) @ normal).min() + 0.01


def test_stripes_run_along_a_muscle(noise: TissueNoise) -> None:
    """Half a stripe further along the muscle the echo is alike, half a stripe across it is not."""
    into_the_picture = Rotation.from_euler("x", 90, degrees=True).as_matrix()  # the second axis, away from the probe
    muscle = Body((0, 0, 30), (8, 8, 8), {"stripe_db": 20.0, "stripe_mm": 4.0}, into_the_picture, 30.0)
    striped, plain = (
        render(bodies(4, body, noise_offset=offsets(4, 6)), linear(4), console(4), noise, lines=80, samples=240).echo_db
        for body in (muscle, replace(muscle, material={}))
    )
    stripes = (striped - plain)[:, :, 96:144]  # lines are 0.5 mm apart, samples 0.25 mm
    stripes = stripes - stripes.mean()
    along = (stripes[:, 4:] * stripes[:, :-4]).mean() / stripes.square().mean()
    across = (stripes[..., 8:] * stripes[..., :-8]).mean() / stripes.square().mean()
    assert along > across + 0.3
