"""Random scanners, console settings, scan planes and views: every training picture has its own."""

from __future__ import annotations

import math

import torch

from synthetic.acoustics.beam_rendering import Console, Plane
from synthetic.acoustics.geometry import LINEAR_RADIUS_MM, Scanner, View
from synthetic.acoustics.plane_sections import AnimalBatch
from synthetic.anatomy.bodies import Kind
from synthetic.appearance.random_settings import Draws

__all__ = ["draw_console", "draw_plane", "draw_scanner", "draw_view"]

# A plane that is turned towards a second object chooses it with weights that fall by 1/e over this distance.
NEIGHBOUR_DISTANCE_MM = 15.0


def draw_scanner(animal_batch: AnimalBatch, generator: torch.Generator) -> Scanner:
    """Linear, convex and microconvex arrays of 4 to 10 MHz that show 30 to 150 mm of B animals.

    In one in seven the depth is so small that the animal's largest egg or follicle fills a third to most of the
    picture, in half of them several fit in, and in the others the depth is independent of the animal.
    """
    draws = Draws(len(animal_batch.kinds), generator)
    kind = draws.uniform(0, 1)
    linear, micro = kind < 0.2, kind > 0.6
    radius = draws.uniform(35, 65)
    radius = torch.where(micro, draws.uniform(8, 22), radius)
    half = torch.deg2rad(draws.uniform(24, 38))
    half = torch.where(micro, torch.deg2rad(draws.uniform(30, 62)), half)
    depth = torch.exp(draws.uniform(math.log(35), math.log(150)))
    is_target = animal_batch.is_object & (animal_batch.kinds >= Kind.FOLLICLE)
    largest = 2 * torch.where(is_target, animal_batch.min_semi_axis_mm, 0.0).amax(1)
    chance = draws.uniform(0, 1)
    chance = torch.where(largest > 0, chance, torch.ones_like(chance))
    filling = (largest * draws.uniform(1.2, 3.0)).clamp(30, 150)
    several = (largest * torch.exp(draws.uniform(math.log(2.5), math.log(10.0)))).clamp(35, 150)
    depth = torch.where(chance < 0.15, filling, torch.where(chance < 0.7, several, depth))
    # A linear array is 25 to 60 mm wide and shows a depth of about twice its width at most.
    width = draws.uniform(25, 60)
    radius = torch.where(linear, torch.full_like(radius, LINEAR_RADIUS_MM), radius)
    half = torch.where(linear, width / 2 / LINEAR_RADIUS_MM, half)
    depth = torch.where(linear, torch.minimum(depth, 2.2 * width), depth)
    frequency = (draws.uniform(3.5, 10.5) * (90 / depth).clamp(0.75, 1.3)).clamp(3.5, 11)
    return Scanner(radius, half, depth, frequency)


def draw_console(scanner: Scanner, generator: torch.Generator, *, variation: float = 1.0) -> Console:
    """Console settings, from careful to careless, and body walls. variation : see appearance.random_settings.Draws"""
    uniform = Draws(len(scanner.depth_mm), generator, variation).uniform
    return Console(
        skin_mm=uniform(0.6, 3.0),
        fat_mm=uniform(0.5, 7.0),
        muscle_mm=uniform(1.0, 9.0),
        attenuation=uniform(0.4, 0.8),
        tgc_error=uniform(-0.25, 0.25),
        noise_db=uniform(-118, -63),
        clutter_db=uniform(-38, -4),
        f_number=uniform(1.5, 4.5),
        focus_mm=scanner.depth_mm * uniform(0.25, 0.8),
        bandwidth=uniform(0.3, 0.9),
        slice_thickness_mm=uniform(0.5, 4.0),
        unevenness_db=uniform(0.5, 5.0),
        layers_db=uniform(-6.0, 8.0).clamp(min=0),
        reverberation=uniform(0.0, 0.6),
    )


def draw_plane(animal_batch: AnimalBatch, scanner: Scanner, generator: torch.Generator, *, aimed: float = 0.8) -> Plane:
    """Planes through animals (B). The share ``aimed`` is placed so that an egg or follicle lies in the sector.

    Three in five look in from the side, as through a prefemoral window. The others come from any direction, so that
    the network learns objects from every side.
    """
    draws = Draws(len(animal_batch.kinds), generator)
    side = torch.where(draws.chance(0.5), -1.0, 1.0)
    inward = torch.stack([side, torch.zeros_like(side), torch.zeros_like(side)], 1) + 0.5 * draws.normal(3)
    anywhere = draws.chance(0.4)[:, None]
    down = torch.nn.functional.normalize(torch.where(anywhere, draws.normal(3), inward), dim=1)

    is_target = (animal_batch.is_object & (animal_batch.kinds >= Kind.FOLLICLE)).float()
    aim = draws.chance(aimed) & (is_target.sum(1) > 0)
    weights = torch.where(aim[:, None], is_target, animal_batch.is_object.float())
    target = torch.multinomial(weights, 1, generator=generator)  # (B, 1)
    point = animal_batch.centre.gather(1, target[..., None].expand(-1, -1, 3))[:, 0]
    reach = animal_batch.min_semi_axis_mm.gather(1, target)
    # Half of the aimed planes turn about the beam until they cut a neighbour too.
    distance = torch.linalg.vector_norm(animal_batch.centre - point[:, None], dim=2)
    nearness = weights * torch.exp(-distance / NEIGHBOUR_DISTANCE_MM).clamp(min=1e-6)
    neighbour = torch.multinomial(nearness.scatter(1, target, 1e-9), 1, generator=generator)
    other = animal_batch.centre.gather(1, neighbour[..., None].expand(-1, -1, 3))[:, 0]
    is_turned = (aim & draws.chance(0.5))[:, None]
    right = torch.where(is_turned, other - point + 0.2 * reach * draws.normal(3), draws.normal(3))
    right = torch.nn.functional.normalize(right - (right * down).sum(1, keepdim=True) * down, dim=1)
    across = torch.linalg.cross(right, down)
    off_centre = draws.uniform(-0.95, 0.95)[:, None] * reach
    point = point + off_centre * across
    # A plane that is not aimed lies anywhere near the chosen organ (standard deviation 12 mm).
    point = point + torch.where(aim[:, None], 0.0, 12.0) * draws.normal(3)

    angle = scanner.half_angle_rad * draws.uniform(-0.85, 0.85)
    depth = scanner.depth_mm * draws.uniform(0.1, 0.9)
    x = (scanner.radius_mm + depth) * torch.sin(angle)
    z = (scanner.radius_mm + depth) * torch.cos(angle) - scanner.radius_mm
    return Plane(point - x[:, None] * right - z[:, None] * down, right, down)


def draw_view(scanner: Scanner, side_px: int, generator: torch.Generator) -> View:
    """The sector in a square of side_px, roughly as the detector crops it; in some views the corners are cut off."""
    draws = Draws(len(scanner.depth_mm), generator)
    half_width = (scanner.radius_mm + scanner.depth_mm) * torch.sin(scanner.half_angle_rad)
    top = -2 * scanner.radius_mm * torch.sin(scanner.half_angle_rad / 2) ** 2
    height = scanner.depth_mm - top
    fitting = torch.maximum(2 * half_width, height) / side_px
    zoom = draws.uniform(0.94, 1.1)
    is_close_up = draws.chance(0.3)
    zoom = torch.where(is_close_up, draws.uniform(0.6, 0.94), zoom)
    scale = fitting * zoom
    # The sector is centred in the square and then moved by at most what sticks out, plus 3 %.
    play = 0.03 * side_px + 0.5 * (1 - zoom).clamp(min=0) / zoom * side_px
    x = side_px / 2 + play * draws.uniform(-1, 1)
    middle = side_px / 2 + play * draws.uniform(-1, 1)
    return View(scale, x, middle - (top + height / 2) / scale)
