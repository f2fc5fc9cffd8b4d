"""Labels to training targets: what each cell of the network output should be."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import torch
from torch import Tensor

from models.ellipse_tensors import to_log_matrix
from models.output_channels import STRIDE

__all__ = ["Labels", "Role", "Targets", "make_targets"]

# The cells in an object's inner part predict it: out to this share of its semi-axes. Chosen by trial.
_POSITIVE_SHARE = 0.45
# Standard deviation of the bump in the heat map as a share of the semi-axes, and its minimum in cells. Chosen by trial.
_BUMP_SHARE = 0.22
_MIN_BUMP_CELLS = 0.8
# The heat map's largest value away from centres: exactly 1 marks a centre.
_MAX_BESIDE_CENTRE = 0.99


class Role(IntEnum):
    """What a row of labels is for."""

    IGNORED = -1  # an object that is neither rewarded nor punished
    EMPTY = 0  # padding
    TARGET = 1  # an object to be found


# make_targets is compiled on a GPU, and torch.compile does not know enumerations.
_TARGET, _IGNORED = int(Role.TARGET), int(Role.IGNORED)


@dataclass(frozen=True)
class Labels:
    """The objects of a batch of pictures.

    ellipses : (B, K, 5) float32, [cx, cy, semi-major, semi-minor, degrees] in px of the network's input
    stage : (B, K) int64, 0 follicle, 1 thin-shelled, 2 calcified
    role : (B, K) int64, see Role
    visible : (B, K) float32, the share of each outline that can be seen, 0 to 1
    mm_per_px : (B,) float32, of the pictures
    """

    ellipses: Tensor
    stage: Tensor
    role: Tensor
    visible: Tensor
    mm_per_px: Tensor


@dataclass(frozen=True)
class Targets:
    """heat_map (B, G, G) in [0, 1], 1 at the cell nearest to a centre;  heat_map_weight (B, G, G), 0 where ignored
    positive (B, G, G) bool, cells that predict an object;  stage (B, G, G) int64
    offset (B, 2, G, G) and shape (B, 3, G, G) in cells;  size (B, G, G) geometric mean of the semi-axes in cells

    stage, offset, shape and size are valid where positive.
    """

    heat_map: Tensor
    heat_map_weight: Tensor
    positive: Tensor
    stage: Tensor
    offset: Tensor
    shape: Tensor
    size: Tensor


def make_targets(labels: Labels, side_px: int) -> Targets:
    """Training targets for pictures of side_px, on the device of the labels."""
    grid = side_px // STRIDE
    cells = labels.ellipses.clone()
    # Pixel centres are whole numbers in both systems: cell i covers pixels 4i to 4i + 3, its middle is 4i + 1.5.
    cells[..., :2] = (cells[..., :2] - (STRIDE - 1) / 2) / STRIDE
    cells[..., 2:4] = (cells[..., 2:4] / STRIDE).clamp(min=0.1)
    cx, cy, a, b, degrees = (c[..., None, None] for c in cells.unbind(-1))  # each (B, K, 1, 1)
    angle = torch.deg2rad(degrees)
    cosine, sine = torch.cos(angle), torch.sin(angle)
    axis = torch.arange(grid, device=cells.device, dtype=cells.dtype)
    dx, dy = axis[None, :] - cx, axis[:, None] - cy  # (B, K, 1, G), (B, K, G, 1)
    along, across = dx * cosine + dy * sine, dy * cosine - dx * sine
    radius2 = (along / a) ** 2 + (across / b) ** 2  # (B, K, G, G), 1 on the outline
    far = torch.full_like(radius2, 1e9)
    is_target = (labels.role == _TARGET)[..., None, None]
    is_ignored = (labels.role == _IGNORED)[..., None, None]

    bump2 = (along / (_BUMP_SHARE * a).clamp(min=_MIN_BUMP_CELLS)) ** 2
    bump2 = bump2 + (across / (_BUMP_SHARE * b).clamp(min=_MIN_BUMP_CELLS)) ** 2
    heat_map = torch.where(is_target, torch.exp(-bump2 / 2), 0.0).amax(1)
    nearest = (torch.round(cx) == axis[None, :]) & (torch.round(cy) == axis[:, None])  # (B, K, G, G)
    at_centre = nearest & is_target
    heat_map = torch.where(at_centre.any(1), 1.0, heat_map.clamp(max=_MAX_BESIDE_CENTRE))

    # A positive cell belongs to the object in whose inner part it lies deepest; a centre belongs to its own object.
    depth = torch.where(is_target, radius2, far)
    depth = torch.where(at_centre, -1.0, depth)
    deepest, owner = depth.min(1)  # (B, G, G)
    positive = deepest <= _POSITIVE_SHARE**2
    inside_ignored = (torch.where(is_ignored, radius2, far).amin(1) <= 1.0) & (deepest > 1.0)

    def of_owner(values: Tensor) -> Tensor:  # (B, K, C) -> (B, C, G, G)
        index = owner.flatten(1)[..., None].expand(-1, -1, values.shape[-1])
        return values.gather(1, index).transpose(1, 2).reshape(len(values), -1, grid, grid)

    log_size = (cells[..., 2].log() + cells[..., 3].log()) / 2
    place = torch.stack(torch.meshgrid(axis, axis, indexing="xy"))  # (2, G, G): x, y
    return Targets(
        heat_map=heat_map,
        heat_map_weight=(~inside_ignored).to(heat_map.dtype),
        positive=positive,
        stage=of_owner(labels.stage[..., None].float())[:, 0].long(),
        offset=of_owner(cells[..., :2]) - place,
        shape=of_owner(to_log_matrix(cells)),
        size=of_owner(log_size.exp()[..., None])[:, 0],
    )
