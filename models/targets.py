"""Labels to training tensors: what each output cell should say."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.output_channels import STRIDE

__all__ = ["Labels", "Targets", "make_targets"]

# An object is answered for by the cells in its inner part, out to this share of its semi-axes.
_ANSWERING = 0.45
# Standard deviation of the centre's bump, as a share of the semi-axes, and its least value in cells.
_BUMP = 0.22
_LEAST_BUMP_CELLS = 0.8


@dataclass(frozen=True)
class Labels:
    """The objects of a batch of pictures.

    ellipses : (B, K, 5) float32, [cx, cy, semi-major, semi-minor, degrees] in px of the network's input
    stage : (B, K) int64, 0 follicle, 1 thin-shelled, 2 calcified
    role : (B, K) int64, 1 to be found, -1 neither rewarded nor punished, 0 an empty row
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
    """heat_map (B, G, G) in [0, 1], 1 at the cell nearest a centre;  heat_map_weight (B, G, G), 0 where ignored;
    positive (B, G, G) bool;  stage (B, G, G) int64;  offset (B, 2, G, G) and shape (B, 3, G, G) in cells;
    size (B, G, G) geometric mean of the semi-axes in cells. The last four hold where positive.
    """

    heat_map: Tensor
    heat_map_weight: Tensor
    positive: Tensor
    stage: Tensor
    offset: Tensor
    shape: Tensor
    size: Tensor


def make_targets(labels: Labels, side_px: int) -> Targets:
    """Training tensors for pictures of side_px, on the device of the labels."""
    grid = side_px // STRIDE
    cells = labels.ellipses.clone()
    # Pixel centres are whole numbers in both systems: cell i covers pixels 4i to 4i+3, middle 4i + 1.5.
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
    wanted = (labels.role == 1)[..., None, None]
    ignored = (labels.role == -1)[..., None, None]

    bump2 = (along / (_BUMP * a).clamp(min=_LEAST_BUMP_CELLS)) ** 2
    bump2 = bump2 + (across / (_BUMP * b).clamp(min=_LEAST_BUMP_CELLS)) ** 2
    heat_map = torch.where(wanted, torch.exp(-bump2 / 2), 0.0).amax(1)
    nearest = (torch.round(cx) == axis[None, :]) & (torch.round(cy) == axis[:, None])  # (B, K, G, G)
    at_centre = nearest & wanted
    heat_map = torch.where(at_centre.any(1), 1.0, heat_map.clamp(max=0.99))

    # Each positive cell speaks for the object in whose inner part it lies deepest; its own centre comes first.
    depth = torch.where(wanted, radius2, far)
    depth = torch.where(at_centre, -1.0, depth)
    deepest, owner = depth.min(1)  # (B, G, G)
    positive = deepest <= _ANSWERING**2
    inside_ignored = (torch.where(ignored, radius2, far).amin(1) <= 1.0) & (deepest > 1.0)

    def of_owner(values: Tensor) -> Tensor:  # (B, K, C) -> (B, C, G, G)
        index = owner.flatten(1)[..., None].expand(-1, -1, values.shape[-1])
        return values.gather(1, index).transpose(1, 2).reshape(len(values), -1, grid, grid)

    log_a, log_b = cells[..., 2].log(), cells[..., 3].log()
    cosine, sine = cosine[..., 0, 0], sine[..., 0, 0]
    log_matrix = torch.stack(
        [
            log_a * cosine**2 + log_b * sine**2,
            log_a * sine**2 + log_b * cosine**2,
            (log_a - log_b) * cosine * sine,
        ],
        dim=-1,
    )
    place = torch.stack(torch.meshgrid(axis, axis, indexing="xy"))  # (2, G, G): x, y
    return Targets(
        heat_map=heat_map,
        heat_map_weight=(~inside_ignored).to(heat_map.dtype),
        positive=positive,
        stage=of_owner(labels.stage[..., None].float())[:, 0].long(),
        offset=of_owner(cells[..., :2]) - place,
        shape=of_owner(log_matrix),
        size=of_owner(((log_a + log_b) / 2).exp()[..., None])[:, 0],
    )
