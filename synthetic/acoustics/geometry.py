"""Geometry of a scanner: its beams in the scan plane, and the scan plane on the screen.

Plane coordinates in mm: x to the right, z away from the probe, the origin in the middle of the probe's face. A convex
face is an arc of ``radius_mm`` about (0, -radius). A linear array is the same with a radius so large that its face is
flat and its beams are parallel for all purposes. Screen coordinates in px: x right, y down, pixel centres at whole
numbers. All values are tensors over a batch of B pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.anatomy.limits import require_positive

__all__ = [
    "LINEAR_RADIUS_MM",
    "BeamGrid",
    "Scanner",
    "ScreenGrid",
    "View",
    "beam_grid",
    "beam_grid_coordinates",
    "plane_to_beams",
    "scan_convert",
    "screen_grid",
]

LINEAR_RADIUS_MM = 2000.0  # radius that stands for a flat face


@dataclass(frozen=True)
class Scanner:
    """Each (B,) float32: radius of the probe's face, half its opening angle, depth shown, centre frequency.

    Raises PhantomError, naming the setting, for a value that is not above 0.
    """

    radius_mm: Tensor
    half_angle_rad: Tensor
    depth_mm: Tensor
    frequency_mhz: Tensor

    def __post_init__(self) -> None:
        require_positive("scanner", **vars(self))


@dataclass(frozen=True)
class View:
    """Where the scan plane is on the screen; each (B,) float32: scale, and position of the middle of the probe's face.

    Raises PhantomError for a scale that is not above 0.
    """

    mm_per_px: Tensor
    face_x_px: Tensor
    face_y_px: Tensor

    def __post_init__(self) -> None:
        require_positive("view", mm_per_px=self.mm_per_px)

    def to_screen(self, ellipses: Tensor) -> Tensor:
        """(B, K, 5) ellipses in plane mm -> the same in px."""
        scale = self.mm_per_px[:, None]
        x = self.face_x_px[:, None] + ellipses[..., 0] / scale
        y = self.face_y_px[:, None] + ellipses[..., 1] / scale
        return torch.stack([x, y, ellipses[..., 2] / scale, ellipses[..., 3] / scale, ellipses[..., 4]], dim=-1)


@dataclass(frozen=True)
class BeamGrid:
    """Places of L beams of S samples each.

    x, z : (B, L, S) mm in the plane;  right, down : (B, L, 1) unit vectors along the beams
    depth : (B, 1, S) mm along the beam;  step : (B, 1, 1) mm between samples
    """

    x: Tensor
    z: Tensor
    right: Tensor
    down: Tensor
    depth: Tensor
    step: Tensor


def beam_grid(scanner: Scanner, lines: int, samples: int) -> BeamGrid:
    """The places of ``lines`` beams of ``samples`` each, from one edge of the sector to the other."""
    device = scanner.depth_mm.device
    across = torch.linspace(-1, 1, lines, device=device)
    along = (torch.arange(samples, device=device) + 0.5) / samples
    angle = (scanner.half_angle_rad[:, None] * across)[..., None]  # (B, L, 1)
    depth = (scanner.depth_mm[:, None] * along)[:, None, :]  # (B, 1, S)
    right, down = torch.sin(angle), torch.cos(angle)
    radius = scanner.radius_mm[:, None, None]
    # (R + s) cos - R loses digits for a linear array's large R; R (cos - 1) + s cos does not.
    x = radius * right + depth * right
    z = depth * down - 2 * radius * torch.sin(angle / 2) ** 2
    step = (scanner.depth_mm / samples)[:, None, None]
    return BeamGrid(x, z, right, down, depth, step)


def plane_to_beams(scanner: Scanner, x: Tensor, z: Tensor) -> tuple[Tensor, Tensor]:
    """Plane points (B, ...) in mm -> place across the beams, -1 to 1 in the sector, and depth along the beam in mm."""
    shape = (-1,) + (1,) * (x.dim() - 1)
    radius = scanner.radius_mm.view(shape)
    across = torch.atan2(x, z + radius) / scanner.half_angle_rad.view(shape)
    depth = torch.hypot(x, z + radius) - radius
    return across, depth


def beam_grid_coordinates(across: Tensor, share: Tensor, samples: int) -> Tensor:
    """Coordinates (..., 2) at which grid_sample, with align_corners, reads a grid of beams.

    across : (...) in [-1, 1] over the beams;  share : (...) of the depth shown, in [0, 1]
    The outermost beams lie on the sector's edges, the first sample half a step below the face.
    """
    return torch.stack([(share * samples - 0.5) / (samples - 1) * 2 - 1, across], dim=-1)


@dataclass(frozen=True)
class ScreenGrid:
    """Where the pixels of B screens lie among the beams.

    coordinates : (B, height, width, 2) for grid_sample, see beam_grid_coordinates
    sector : (B, height, width) bool, True where there is a beam
    """

    coordinates: Tensor
    sector: Tensor

    def draw(self, beams: Tensor) -> Tensor:
        """(B, C, L, S) beams -> (B, C, height, width) picture, 0 outside the sector."""
        picture = functional.grid_sample(
            beams, self.coordinates, mode="bilinear", padding_mode="border", align_corners=True
        )
        return picture * self.sector[:, None]


def screen_grid(scanner: Scanner, view: View, samples: int, height: int, width: int) -> ScreenGrid:
    """The grid of screens of (height, width) px that show beams of ``samples`` each."""
    device = view.mm_per_px.device
    px = torch.arange(width, device=device, dtype=torch.float32)
    py = torch.arange(height, device=device, dtype=torch.float32)
    x = ((px[None] - view.face_x_px[:, None]) * view.mm_per_px[:, None])[:, None, :].expand(-1, height, -1)
    z = ((py[None] - view.face_y_px[:, None]) * view.mm_per_px[:, None])[:, :, None].expand(-1, -1, width)
    across, depth = plane_to_beams(scanner, x, z)
    share = depth / scanner.depth_mm[:, None, None]
    in_sector = (across.abs() <= 1) & (share >= 0) & (share <= 1)
    return ScreenGrid(beam_grid_coordinates(across, share, samples), in_sector)


def scan_convert(beams: Tensor, scanner: Scanner, view: View, height: int, width: int) -> tuple[Tensor, Tensor]:
    """(B, C, L, S) beams -> (B, C, height, width) picture, 0 outside the sector, and (B, height, width) bool sector."""
    grid = screen_grid(scanner, view, beams.shape[-1], height, width)
    return grid.draw(beams), grid.sector
