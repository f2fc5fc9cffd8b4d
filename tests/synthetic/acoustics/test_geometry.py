from __future__ import annotations

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic.acoustics.geometry import Scanner, View, beam_grid, plane_to_beams, scan_convert, screen_grid
from tests.synthetic.acoustic_bench import column, convex, linear

SCANNERS = {
    "convex": convex(radius_mm=60, opening_degrees=60, depth_mm=120),
    "micro": convex(radius_mm=10, opening_degrees=120, depth_mm=60),
    "linear": linear(depth_mm=60, width_mm=40),
}


def view(mm_per_px: float, face_x_px: float, face_y_px: float) -> View:
    return View(column(mm_per_px, 1), column(face_x_px, 1), column(face_y_px, 1))


@pytest.mark.parametrize("name", SCANNERS)
def test_grid_points_convert_back_to_their_beams(name: str) -> None:
    scanner = SCANNERS[name]
    grid = beam_grid(scanner, 65, 100)
    across, depth = plane_to_beams(scanner, grid.x, grid.z)
    expected = torch.linspace(-1, 1, 65)[None, :, None].expand_as(across)
    torch.testing.assert_close(across, expected, atol=1e-3, rtol=0)
    torch.testing.assert_close(depth, grid.depth.expand_as(depth), atol=1e-3, rtol=0)


@settings(deadline=None)
@given(st.floats(8, 65), st.floats(40, 120), st.floats(30, 150), st.floats(-1, 1), st.floats(0, 1))
def test_any_point_of_a_convex_sector_converts_back(
    radius: float, opening: float, depth_mm: float, across: float, share: float
) -> None:
    """The polar form of a sector pixel: r = hypot(x, y + R) - R, phi = atan2(x, y + R) (computed)."""
    scanner = convex(radius_mm=radius, opening_degrees=opening, depth_mm=depth_mm)
    angle, depth = np.deg2rad(opening / 2) * across, share * depth_mm
    x, z = (radius + depth) * np.sin(angle), (radius + depth) * np.cos(angle) - radius
    found_across, found_depth = plane_to_beams(scanner, torch.tensor([[x]]).float(), torch.tensor([[z]]).float())
    assert found_across.item() == pytest.approx(across, abs=1e-3)
    assert found_depth.item() == pytest.approx(depth, abs=1e-3)


@pytest.mark.parametrize("name", SCANNERS)
def test_samples_are_evenly_spaced_from_the_face_to_the_depth_shown(name: str) -> None:
    scanner = SCANNERS[name]
    grid = beam_grid(scanner, 33, 50)
    depth_mm = scanner.depth_mm.item()
    assert grid.step.item() == pytest.approx(depth_mm / 50)
    np.testing.assert_allclose(grid.depth[0, 0], (np.arange(50) + 0.5) * depth_mm / 50, rtol=1e-5)
    along = torch.hypot(grid.x.diff(dim=2), grid.z.diff(dim=2))
    torch.testing.assert_close(along, grid.step.expand_as(along), atol=1e-3, rtol=0)
    torch.testing.assert_close(torch.hypot(grid.right, grid.down), torch.ones(1, 33, 1))


def test_a_linear_array_looks_straight_down_over_its_width() -> None:
    grid = beam_grid(linear(depth_mm=60, width_mm=40), 41, 60)
    assert grid.x[0, 0].max() == pytest.approx(-20, abs=0.01)  # the outermost beam strays no more than 0.6 mm
    assert (grid.x[0, 0] - grid.x[0, 0, 0]).abs().max() < 0.61
    np.testing.assert_allclose(grid.z[0], np.tile((np.arange(60) + 0.5), (41, 1)), atol=0.11)


@pytest.mark.parametrize(
    ("radius", "opening", "depth", "width_mm", "sag_mm"),
    # Width 2 (R + z) sin(theta / 2) and face sag R (1 - cos(theta / 2)) of a convex probe (computed).
    [(60, 60, 120, 180.0, 8.04), (20, 80, 80, 128.6, 4.68), (10, 90, 60, 99.0, 2.93)],
)
def test_the_sector_on_the_screen_has_its_computed_width_and_sag(
    radius: float, opening: float, depth: float, width_mm: float, sag_mm: float
) -> None:
    mm_per_px = 0.2
    face_x, face_y = 500.0, 60.0
    scanner = convex(radius_mm=radius, opening_degrees=opening, depth_mm=depth)
    beams = torch.zeros(1, 1, 8, 8)
    _, sector = scan_convert(beams, scanner, view(mm_per_px, face_x, face_y), 720, 1000)
    rows, columns = np.nonzero(sector[0].numpy())
    px = 2.5 * mm_per_px  # a corner's last pixel is the sector's only by its middle
    assert (columns.max() - columns.min()) * mm_per_px == pytest.approx(width_mm, abs=px)
    assert (face_y - rows.min()) * mm_per_px == pytest.approx(sag_mm, abs=px)
    assert (rows.max() - face_y) * mm_per_px == pytest.approx(depth, abs=px)
    assert (columns.max() + columns.min()) / 2 == pytest.approx(face_x, abs=1)
    # In the middle the picture begins at the face.
    assert np.flatnonzero(sector[0, :, 500].numpy()).min() == pytest.approx(face_y, abs=1)


@pytest.mark.parametrize("name", SCANNERS)
def test_a_disc_along_the_beams_is_round_on_the_screen(name: str) -> None:
    scanner = SCANNERS[name]
    mm_per_px, face_x, face_y = 0.25, 400.0, 60.0
    x_mm, z_mm, radius_mm = 6.0, 30.0, 8.0
    grid = beam_grid(scanner, 400, 500)
    disc = ((grid.x - x_mm) ** 2 + (grid.z - z_mm) ** 2 < radius_mm**2).float()
    picture, _ = scan_convert(disc[:, None], scanner, view(mm_per_px, face_x, face_y), 600, 800)
    weight = picture[0, 0].numpy()
    y, x = np.mgrid[:600, :800]
    total = weight.sum()
    middle_x, middle_y = (weight * x).sum() / total, (weight * y).sum() / total
    assert middle_x == pytest.approx(face_x + x_mm / mm_per_px, abs=0.3)
    assert middle_y == pytest.approx(face_y + z_mm / mm_per_px, abs=0.3)
    assert np.sqrt(total / np.pi) * mm_per_px == pytest.approx(radius_mm, rel=0.01)
    # A disc of radius r has second moments r^2 / 4 both ways and none across.
    moments = np.cov(np.stack([x.ravel(), y.ravel()]), aweights=weight.ravel()) * mm_per_px**2
    np.testing.assert_allclose(moments, np.eye(2) * radius_mm**2 / 4, atol=0.02 * radius_mm**2 / 4)


def test_ellipses_go_to_the_screen_as_points_do() -> None:
    screen = view(0.2, 300.0, 40.0).to_screen(torch.tensor([[[10.0, 25.0, 8.0, 4.0, -30.0]]]))
    assert screen[0, 0].tolist() == pytest.approx([350.0, 165.0, 40.0, 20.0, -30.0])


def test_nothing_is_shown_outside_the_sector() -> None:
    picture, sector = scan_convert(torch.ones(1, 1, 8, 8), SCANNERS["micro"], view(0.3, 200.0, 30.0), 240, 400)
    assert 0.2 < sector.float().mean() < 0.9
    assert (picture[0, 0][~sector[0]] == 0).all()
    torch.testing.assert_close(picture[0, 0][sector[0]], torch.ones(int(sector.sum())))


def test_every_picture_of_a_batch_has_its_own_geometry() -> None:
    pair = (vars(SCANNERS[name]).values() for name in ("convex", "micro"))
    both = Scanner(*(torch.cat(values) for values in zip(*pair, strict=True)))
    views = View(column(0.5, 2), column(200, 2), column(30, 2))
    beams = torch.rand(2, 1, 40, 50, generator=torch.Generator().manual_seed(1))
    together, sectors = scan_convert(beams, both, views, 300, 400)
    for row, name in enumerate(("convex", "micro")):
        alone, sector = scan_convert(beams[row : row + 1], SCANNERS[name], view(0.5, 200.0, 30.0), 300, 400)
        assert torch.equal(sectors[row], sector[0])
        torch.testing.assert_close(together[row], alone[0])


def test_pictures_on_one_screen_can_be_read_as_channels() -> None:
    scanner, where = SCANNERS["micro"], view(0.5, 200.0, 30.0)
    beams = torch.rand(1, 3, 40, 50, generator=torch.Generator().manual_seed(2))
    grid = screen_grid(scanner, where, 50, 300, 400)
    for channel in range(3):
        alone, sector = scan_convert(beams[:, channel : channel + 1], scanner, where, 300, 400)
        torch.testing.assert_close(grid.draw(beams)[:, channel : channel + 1], alone)
        assert torch.equal(grid.sector, sector)
