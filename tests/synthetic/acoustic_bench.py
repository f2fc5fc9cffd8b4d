"""A test bench: a scanner with plain settings, single bodies and single scatterers, to measure the physics alone.

Plane coordinates as in `acoustics.geometry`; the bench's scan plane spans the body's x (to the right) and z (away).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor

from synthetic.acoustics.beam_rendering import Beams, Console, Plane, Slice, render_beams
from synthetic.acoustics.geometry import LINEAR_RADIUS_MM, Scanner
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.tissue import TissueNoise, make_tissue_noise
from tests.models.ellipsoid_shape import shape_matrix

# Two-way loss of soft tissue on the bench is then attenuation / 5 x frequency in dB/mm.
ATTENUATION = 0.5  # dB/cm/MHz

_QUIET = {
    "skin_mm": 0.0,
    "fat_mm": 0.0,
    "muscle_mm": 0.0,
    "attenuation": ATTENUATION,
    "tgc_error": 0.0,
    "noise_db": -200.0,
    "clutter_db": -200.0,
    "f_number": 2.0,
    "focus_mm": 30.0,
    "bandwidth": 0.6,
    "slice_thickness_mm": 0.1,
    "unevenness_db": 0.0,
    "layers_db": 0.0,
    "reverberation": 0.0,
}

_UNSEEN = {
    "rim_db": -30.0,
    "rim_mm": 0.5,
    "rim_power": 1.0,
    "attenuation": ATTENUATION,
    "border_blur_mm": 0.2,
    "speed": 1.54,
}


@dataclass(frozen=True)
class Body:
    """One ellipsoid or tube on the bench; ``material`` gives what differs from tissue, by the names of Materials."""

    centre: tuple[float, float, float]
    semi_axes: tuple[float, float, float]
    material: dict[str, float]
    rotation: np.ndarray | None = None
    half_length: float = 0.0
    bend: float = 0.0


def column(value: float, batch: int) -> Tensor:
    return torch.full((batch,), float(value))


def linear(batch: int = 1, *, depth_mm: float = 60, width_mm: float = 40, frequency_mhz: float = 5) -> Scanner:
    half = width_mm / 2 / LINEAR_RADIUS_MM
    return Scanner(*(column(v, batch) for v in (LINEAR_RADIUS_MM, half, depth_mm, frequency_mhz)))


def convex(
    batch: int = 1,
    *,
    radius_mm: float = 60,
    opening_degrees: float = 60,
    depth_mm: float = 120,
    frequency_mhz: float = 5,
) -> Scanner:
    half = np.deg2rad(opening_degrees / 2)
    return Scanner(*(column(v, batch) for v in (radius_mm, half, depth_mm, frequency_mhz)))


def console(batch: int = 1, **changes: float) -> Console:
    """Without body wall, noise, clutter and unevenness, except for what is changed."""
    unknown = changes.keys() - _QUIET.keys()
    if unknown:
        raise KeyError(f"A console has no {unknown}.")
    return Console(**{name: column(value, batch) for name, value in (_QUIET | changes).items()})


def plane(batch: int = 1, origin: Sequence[float] = (0.0, 0.0, 0.0)) -> Plane:
    """Planes through x and z, all at the same origin."""
    rows = (torch.tensor(row, dtype=torch.float32).expand(batch, 3) for row in (list(origin), [1, 0, 0], [0, 0, 1]))
    return Plane(*rows)


def bodies(batch: int = 1, *each: Body, noise_offset: Tensor | None = None) -> Slice:
    """The same bodies in every picture; with none, plain tissue."""
    number = len(each)
    rotations = [np.eye(3) if body.rotation is None else body.rotation for body in each]
    semi_axes = torch.tensor([body.semi_axes for body in each], dtype=torch.float32).view(number, 3)
    rotation = torch.from_numpy(np.array(rotations).reshape(number, 3, 3)).float()
    names = [field.name for field in fields(Materials)]
    drawn = [[(_UNSEEN | body.material).get(name, 0.0) for name in names] for body in each]
    values = torch.tensor(drawn, dtype=torch.float32).view(number, len(names))
    return Slice(
        centre=torch.tensor([body.centre for body in each], dtype=torch.float32).view(number, 3).expand(batch, -1, -1),
        shape=shape_matrix(semi_axes, rotation).expand(batch, -1, -1, -1),
        rotation=rotation.expand(batch, -1, -1, -1),
        half_length=torch.tensor([body.half_length for body in each]).expand(batch, -1),
        bend=torch.tensor([body.bend for body in each]).expand(batch, -1),
        min_semi_axis_mm=semi_axes.amin(1).expand(batch, -1) if number else torch.zeros(batch, 0),
        materials=Materials(*(value.expand(batch, -1) for value in values.unbind(1))),
        present=torch.ones(batch, number, dtype=torch.bool),
        noise_offset=torch.zeros(batch, 3) if noise_offset is None else noise_offset,
    )


def offsets(batch: int, seed: int) -> Tensor:
    """(B, 3) mm: places in the body far from each other, so that B pictures are independent."""
    return 1000 * torch.rand(batch, 3, generator=torch.Generator().manual_seed(seed))


def tissue(seed: int = 1) -> TissueNoise:
    return make_tissue_noise(torch.Generator().manual_seed(seed))


def render(
    slice_: Slice,
    scanner: Scanner,
    console_: Console,
    noise: TissueNoise,
    *,
    at: Plane | None = None,
    lines: int = 96,
    samples: int = 192,
    seed: int = 5,
) -> Beams:
    generator = torch.Generator().manual_seed(seed)
    at = at or plane(len(scanner.depth_mm))
    return render_beams(slice_, at, scanner, console_, noise, generator, lines=lines, samples=samples)


@dataclass(frozen=True)
class OneScatterer(TissueNoise):
    """Tissue without echo except for one scatterer, at the sample nearest to a place (3,) mm of the body."""

    place: Tensor

    def read_scatterers(self, points: Tensor) -> tuple[Tensor, Tensor]:
        distance = (points - self.place).norm(dim=-1)
        at_it = distance == distance.amin((1, 2), keepdim=True)
        return at_it.float(), torch.zeros_like(distance)

    def read_slow(self, points: Tensor) -> tuple[Tensor, Tensor]:
        nothing = torch.zeros_like(points[..., 0])
        return nothing, nothing


def one_scatterer(x_mm: float, z_mm: float) -> OneScatterer:
    empty = torch.zeros(1, 2, 2, 2, 2)
    return OneScatterer(empty, empty, torch.tensor([x_mm, 0.0, z_mm]))
