from __future__ import annotations

import pytest
import torch

from synthetic.acoustics.geometry import LINEAR_RADIUS_MM, View, scan_convert
from synthetic.acoustics.materials import load_materials
from synthetic.acoustics.plane_sections import AnimalBatch, section_animals
from synthetic.anatomy.bodies import Kind
from synthetic.training.dataset import draw_animals
from synthetic.training.scenes import draw_console, draw_plane, draw_scanner, draw_view
from tests.synthetic.acoustic_bench import convex

BATCH = 400
SIDE = 128


def generator(seed: int = 1) -> torch.Generator:
    return torch.Generator().manual_seed(seed)


@pytest.fixture(scope="module")
def animal_batch() -> AnimalBatch:
    animals = AnimalBatch.of(draw_animals(12, 1), torch.device("cpu"))
    return animals.take(torch.arange(BATCH) % 12)


def test_scanners_are_of_the_three_kinds_and_within_bounds(animal_batch: AnimalBatch) -> None:
    scanner = draw_scanner(animal_batch, generator())
    linear = scanner.radius_mm == LINEAR_RADIUS_MM
    micro = scanner.radius_mm <= 22
    assert linear.float().mean().item() == pytest.approx(0.2, abs=0.07)
    assert micro.float().mean().item() == pytest.approx(0.4, abs=0.08)
    assert (scanner.depth_mm >= 30).all()
    assert (scanner.depth_mm <= 150).all()
    assert (scanner.frequency_mhz >= 3.5).all()
    assert (scanner.frequency_mhz <= 11).all()
    face_mm = 2 * LINEAR_RADIUS_MM * torch.sin(scanner.half_angle_rad[linear])
    assert face_mm.min() >= 24.9
    assert face_mm.max() <= 60.1
    assert (scanner.depth_mm[linear] <= 2.2 * face_mm + 0.1).all()
    # Larger depths have lower frequencies.
    deep = scanner.depth_mm > 110
    assert scanner.frequency_mhz[deep].mean() < scanner.frequency_mhz[scanner.depth_mm < 60].mean() - 1


def test_settings_vary_around_the_middle_by_the_given_share(animal_batch: AnimalBatch) -> None:
    scanner = draw_scanner(animal_batch, generator())
    wide, narrow, none = (draw_console(scanner, generator(2), variation=variation) for variation in (1.0, 0.5, 0.0))
    ranges = {"skin_mm": (0.6, 3.0), "fat_mm": (0.5, 7.0), "attenuation": (0.4, 0.8), "noise_db": (-118, -63)}
    for name, (low, high) in ranges.items():
        drawn, closer, same = getattr(wide, name), getattr(narrow, name), getattr(none, name)
        middle, half = (low + high) / 2, (high - low) / 2
        assert drawn.min() >= low - 1e-4
        assert drawn.max() <= high + 1e-4
        assert drawn.std() > 0.4 * half
        assert (closer - middle).abs().max() <= half / 2 + 1e-4
        torch.testing.assert_close(same, torch.full_like(same, middle))
    focus_share = wide.focus_mm / scanner.depth_mm
    assert focus_share.min() >= 0.25
    assert focus_share.max() <= 0.8


def test_planes_are_spanned_by_perpendicular_unit_vectors(animal_batch: AnimalBatch) -> None:
    at = draw_plane(animal_batch, draw_scanner(animal_batch, generator()), generator(3))
    torch.testing.assert_close(at.right.norm(dim=1), torch.ones(BATCH))
    torch.testing.assert_close(at.down.norm(dim=1), torch.ones(BATCH))
    torch.testing.assert_close((at.right * at.down).sum(1), torch.zeros(BATCH), atol=1e-5, rtol=0)
    # Most look in from the side, some from any direction.
    assert 0.5 < (at.down[:, 0].abs() > 0.7).float().mean() < 0.8


def test_an_aimed_plane_cuts_a_target_within_the_sector(animal_batch: AnimalBatch) -> None:
    scanner = draw_scanner(animal_batch, generator())
    at = draw_plane(animal_batch, scanner, generator(4), aimed=1.0)
    carries = (animal_batch.is_object & (animal_batch.kinds >= Kind.FOLLICLE)).any(1)
    assert carries.sum() > 0.5 * BATCH
    met = section_animals(
        animal_batch, load_materials().draw(animal_batch.kinds, generator()), at, torch.zeros(BATCH, 3)
    )
    x, z = met.ellipses[..., 0].nan_to_num(1e6), met.ellipses[..., 1].nan_to_num(1e6)
    reach = torch.hypot(x, z + scanner.radius_mm[:, None]) - scanner.radius_mm[:, None]
    major = met.ellipses[..., 2].nan_to_num(0)
    near = (met.kinds >= Kind.FOLLICLE) & (reach > -major) & (reach < scanner.depth_mm[:, None] + major)
    assert near.any(1)[carries].all()


def test_planes_that_are_not_aimed_cut_fewer_targets(animal_batch: AnimalBatch) -> None:
    scanner = draw_scanner(animal_batch, generator())

    def met(aimed: float) -> float:
        at = draw_plane(animal_batch, scanner, generator(5), aimed=aimed)
        found = section_animals(
            animal_batch, load_materials().draw(animal_batch.kinds, generator()), at, torch.zeros(BATCH, 3)
        )
        return ((found.kinds >= Kind.FOLLICLE) & (found.section_ratio > 0)).any(1).float().mean().item()

    assert met(0.0) < met(1.0) - 0.05


def test_views_frame_the_sector(animal_batch: AnimalBatch) -> None:
    scanner = draw_scanner(animal_batch, generator())
    view = draw_view(scanner, SIDE, generator(6))
    _, sector = scan_convert(torch.zeros(BATCH, 1, 8, 8), scanner, view, SIDE, SIDE)
    shown = sector.float().mean((1, 2))
    assert shown.min() > 0.15
    assert shown.median() > 0.4
    # A view that is no close-up shows nearly the whole height of the sector.
    top = -2 * scanner.radius_mm * torch.sin(scanner.half_angle_rad / 2) ** 2
    top_px, bottom_px = (view.face_y_px + z / view.mm_per_px for z in (top, scanner.depth_mm))
    inside = (top_px > -0.1 * SIDE) & (bottom_px < 1.1 * SIDE)
    assert 0.5 < inside.float().mean() < 1


def test_the_same_seed_gives_the_same_scenes(animal_batch: AnimalBatch) -> None:
    def drawn(seed: int) -> list[torch.Tensor]:
        draws = generator(seed)
        scanner = draw_scanner(animal_batch, draws)
        drawn_parts = [
            scanner,
            draw_console(scanner, draws),
            draw_plane(animal_batch, scanner, draws),
            draw_view(scanner, SIDE, draws),
        ]
        return [value for one in drawn_parts for value in vars(one).values()]

    assert all(torch.equal(one, same) for one, same in zip(drawn(1), drawn(1), strict=True))
    assert not any(torch.equal(one, other) for one, other in zip(drawn(1)[1:], drawn(2)[1:], strict=True))


def test_the_view_of_a_known_sector_fits_within_the_zoom() -> None:
    """R 60, 60 degrees, z 120: 180.0 mm wide, 128.04 high (computed); the width fills the square up to the zoom."""
    scanner = convex(200, radius_mm=60, opening_degrees=60, depth_mm=120)
    view: View = draw_view(scanner, SIDE, generator(7))
    zoom = view.mm_per_px * SIDE / 180.0
    assert zoom.min() >= 0.599
    assert zoom.max() <= 1.101
    assert (zoom < 0.94).float().mean().item() == pytest.approx(0.3, abs=0.1)
