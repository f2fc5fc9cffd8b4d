"""Where bodies are drawn: at the analytic sections of their ellipsoids, and nowhere else."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.spatial.transform import Rotation
from torch import Tensor

from models.ellipsoid import section
from synthetic.acoustics.geometry import beam_grid
from synthetic.acoustics.materials import Materials, load_materials
from synthetic.acoustics.render_parameters import Slice
from synthetic.acoustics.tissue import TissueNoise
from synthetic.anatomy.bodies import Kind
from tests.synthetic.acoustic_bench import Body, bodies, console, convex, linear, offsets, plane, render, tissue


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def moments(
    dark: NDArray[np.bool_], x: NDArray[np.float64], z: NDArray[np.float64], area: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Middle (2,), semi-axes (2,) and degrees of the ellipse that has the moments of the dark samples."""
    weight = area[dark]
    points = np.stack([x[dark], z[dark]])
    middle = np.average(points, axis=1, weights=weight)
    values, vectors = np.linalg.eigh(np.cov(points, aweights=weight))
    degrees = np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return middle, 2 * np.sqrt(values[::-1]), float(degrees)


@pytest.mark.parametrize("seed", range(4))
def test_a_drawn_section_is_the_analytic_section_of_the_ellipsoid(noise: TissueNoise, seed: int) -> None:
    """Fluid of three different axes in any attitude, cut off its middle: within 0.35 mm of the section computed from
    the quadric, and as long and as wide.
    """
    rng = np.random.default_rng(seed)
    rotation = Rotation.random(random_state=seed).as_matrix()
    axes = (14.0, 10.0, 8.0)
    centre = (float(rng.uniform(-4, 4)), float(rng.uniform(-4, 4)), 32.0)
    seen = bodies(1, Body(centre, axes, {"echo_db": -60.0, "border_blur_mm": 0.1}, rotation))
    scanner = convex(radius_mm=40, opening_degrees=70, depth_mm=60)
    beams = render(seen, scanner, console(f_number=1.0, bandwidth=0.9), noise, lines=241, samples=400)
    dark = median_filter(beams.echo_db[0].numpy(), 5) < -15
    grid = beam_grid(scanner, 241, 400)
    area = (40 + grid.depth).expand_as(grid.x)  # of a sample, up to a factor
    found_middle, found_axes, found_degrees = moments(
        dark, *(value[0].double().numpy() for value in (grid.x, grid.z, area))
    )
    at = plane()
    row, _ = section(seen.centre, seen.shape, at.origin[:, None], at.right[:, None], at.down[:, None])
    x, z, major, minor, degrees = row[0, 0].tolist()
    np.testing.assert_allclose(found_middle, [x, z], atol=0.35)
    np.testing.assert_allclose(found_axes, [major, minor], atol=0.35)
    if major > 1.1 * minor:
        assert abs((found_degrees - degrees + 90) % 180 - 90) < 4


def test_padding_leaves_the_picture_unchanged(noise: TissueNoise) -> None:
    """Animals are padded to the same number of bodies with ellipsoids of no shape and no material."""
    egg = Body((0, 0, 30), (8, 8, 8), {"rim_db": 20.0, "loss_db": 2.0, "shell_mm": 0.02, "mineral": 1.0})
    both = bodies(2, egg, egg)
    # The second column is a body in the second picture only.
    there = torch.tensor([[True, False], [True, True]])

    def padded(value: Tensor) -> Tensor:
        return torch.where(there.view(2, 2, *(1,) * (value.dim() - 2)), value, torch.zeros_like(value))

    materials = Materials(*(padded(getattr(both.materials, field.name)) for field in fields(Materials)))
    shapes = {name: padded(getattr(both, name)) for name in ("centre", "shape", "min_semi_axis_mm")}
    some = replace(both, materials=materials, present=there, **shapes)
    beams = render(some, linear(2), console(2), noise)
    alone = render(bodies(1, egg), linear(), console(), noise)
    assert beams.echo_db.isfinite().all()
    torch.testing.assert_close(beams.loss_db[0], alone.loss_db[0], atol=1e-4, rtol=0)
    assert (beams.echo_db[0] - alone.echo_db[0]).abs().quantile(0.999) < 0.05


@pytest.mark.parametrize("kind", list(Kind))
def test_every_shipped_material_can_be_drawn(noise: TissueNoise, kind: Kind) -> None:
    batch = 4
    body = bodies(batch, Body((0, 0, 25), (9, 7, 8), {}), noise_offset=offsets(batch, 2))
    drawn = load_materials().draw(torch.full((batch, 1), int(kind)), torch.Generator().manual_seed(3))
    seen: Slice = replace(body, materials=drawn)
    beams = render(seen, linear(batch), console(batch, slice_thickness_mm=2.0), noise, lines=48, samples=96)
    assert beams.echo_db.isfinite().all()
    assert beams.loss_db.isfinite().all()
    plain = render(
        bodies(batch, noise_offset=offsets(batch, 2)),
        linear(batch),
        console(batch, slice_thickness_mm=2.0),
        noise,
        lines=48,
        samples=96,
    )
    assert (beams.echo_db - plain.echo_db).abs().amax((1, 2)).min() > 1.0
