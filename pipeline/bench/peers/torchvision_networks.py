"""General-purpose networks of torchvision, without any weights of theirs, for the same pictures and labels as ours.

``mask-rcnn`` finds objects with masks (He et al., ICCV 2017); ``lraspp`` (Howard et al., ICCV 2019), ``deeplab`` (Chen
et al. 2017, arXiv 1706.05587) and ``fcn`` (Long et al., CVPR 2015; all from memory) say of each pixel what it shows.
The last three are not trained where an ignored object lies; Mask R-CNN cannot be told, and does not see such objects.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from models.output_channels import INPUT_SIDE_PX
from models.stages import STAGES
from models.targets import Labels, Role
from pipeline.bench.methods.method import MethodError
from pipeline.bench.results.outlines import ellipse_of_mask

__all__ = ["NETWORKS", "build_network", "found_outlines", "load_peer", "object_masks", "save_peer", "training_loss"]

Outlines = list[dict[str, Any]]

_CLASSES = 1 + len(STAGES)  # the first is background
_MASK_RCNN = "mask-rcnn"
_IGNORED_PIXEL = 255
_LEAST_AREA_PX = 12  # of a region; fewer pixels have no shape. Common practice, no source
_MASK_LEVEL = 0.5  # of Mask R-CNN's masks, as its authors use it
# For pictures of 256 px; torchvision's own, 32 to 512, are for 800. Octaves as there.
_ANCHOR_SIDES_PX = ((8,), (16,), (32,), (64,), (128,))
# Of grey levels from 0 to 1: about those of phantoms. Common practice, no source.
_MEAN, _SPREAD = 0.3, 0.25


def _build_mask_rcnn() -> nn.Module:
    from torchvision.models.detection import maskrcnn_resnet50_fpn
    from torchvision.models.detection.anchor_utils import AnchorGenerator

    network: nn.Module = maskrcnn_resnet50_fpn(
        weights=None,
        weights_backbone=None,
        num_classes=_CLASSES,
        min_size=INPUT_SIDE_PX,
        max_size=INPUT_SIDE_PX,
        image_mean=[_MEAN] * 3,
        image_std=[_SPREAD] * 3,
        rpn_anchor_generator=AnchorGenerator(_ANCHOR_SIDES_PX, ((0.5, 1.0, 2.0),) * len(_ANCHOR_SIDES_PX)),
    )
    return network


def _build_segmentation(function: str) -> nn.Module:
    from torchvision.models import segmentation

    network: nn.Module = getattr(segmentation, function)(weights=None, weights_backbone=None, num_classes=_CLASSES)
    return network


NETWORKS: dict[str, Callable[[], nn.Module]] = {
    _MASK_RCNN: _build_mask_rcnn,
    "lraspp": lambda: _build_segmentation("lraspp_mobilenet_v3_large"),
    "deeplab": lambda: _build_segmentation("deeplabv3_resnet50"),
    "fcn": lambda: _build_segmentation("fcn_resnet50"),
}
"""What builds each of them."""


def build_network(name: str) -> nn.Module:
    """A network with random weights."""
    return NETWORKS[name]()


def training_loss(name: str, network: nn.Module, pictures: Tensor, labels: Labels) -> Tensor:
    """The loss of a batch of pictures (B, 1, S, S) in [0, 1]: the sum of those that torchvision gives, or the mean
    cross entropy of the pixels.
    """
    side = pictures.shape[-1]
    if name == _MASK_RCNN:
        targets = [_mask_rcnn_target(labels, row, side) for row in range(len(pictures))]
        losses: dict[str, Tensor] = network(list(pictures.expand(-1, 3, -1, -1)), targets)
        return torch.stack(list(losses.values())).sum()
    classes = torch.stack([_pixel_classes(labels, row, side) for row in range(len(pictures))])
    return nn.functional.cross_entropy(network(_standardised(pictures))["out"], classes, ignore_index=_IGNORED_PIXEL)


@torch.no_grad()
def found_outlines(name: str, network: nn.Module, picture: NDArray[np.float32]) -> Outlines:
    """What a trained network finds in a picture (S, S) in [0, 1]: outlines in its px, with score and stage."""
    device = next(network.parameters()).device
    pictures = torch.from_numpy(picture)[None, None].to(device)
    if name == _MASK_RCNN:
        found = network(list(pictures.expand(-1, 3, -1, -1)))[0]
        masks = (found["masks"][:, 0] > _MASK_LEVEL).cpu().numpy()
        regions = zip(masks, found["labels"].tolist(), found["scores"].tolist(), strict=True)
        return [_outline(mask, stage, score) for mask, stage, score in regions if mask.sum() >= _LEAST_AREA_PX]
    shares = network(_standardised(pictures))["out"][0].softmax(0).cpu().numpy()
    return [outline for stage in range(1, _CLASSES) for outline in _regions(shares, stage)]


def object_masks(ellipses: Tensor, side: int) -> Tensor:
    """(K, side, side) bool, the pixels inside each of K ellipses (K, 5)."""
    cx, cy, a, b, degrees = (column[:, None, None] for column in ellipses.unbind(-1))
    pixel = torch.arange(side, device=ellipses.device, dtype=ellipses.dtype)
    x, y = pixel[None, None, :] - cx, pixel[None, :, None] - cy
    cosine, sine = torch.cos(torch.deg2rad(degrees)), torch.sin(torch.deg2rad(degrees))
    return ((x * cosine + y * sine) / a) ** 2 + ((y * cosine - x * sine) / b) ** 2 <= 1


def save_peer(name: str, network: nn.Module, path: Path, notes: dict[str, str]) -> None:
    """Write the weights, with the network's name and notes inside."""
    from safetensors.torch import save_file

    path.parent.mkdir(parents=True, exist_ok=True)
    tensors = {key: value.detach().cpu().contiguous() for key, value in network.state_dict().items()}
    save_file(tensors, path, {"network": name, **notes})


@cache
def load_peer(path: str) -> tuple[str, nn.Module]:
    """The name and the trained network of a file, ready to answer. Raises MethodError if it cannot be read."""
    from safetensors import safe_open
    from safetensors.torch import load_file

    try:
        with safe_open(path, "pt") as file:
            name = str(file.metadata()["network"])
        network = build_network(name)
        network.load_state_dict(load_file(path))
    except Exception as error:  # safetensors and torch raise many kinds
        raise MethodError(
            f"{path or 'No file'} is no trained peer ({error!r}). Name a file written by clutchlight bench train-peer "
            "with ,weights=FILE."
        ) from error
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    return name, network.to(device).eval()


def _mask_rcnn_target(labels: Labels, row: int, side: int) -> dict[str, Tensor]:
    wanted = labels.role[row] == Role.TARGET
    masks = object_masks(labels.ellipses[row][wanted], side)
    inside = masks.any(2).any(1)
    masks, stage = masks[inside], labels.stage[row][wanted][inside]
    pixel = torch.arange(side, device=masks.device)

    def ends(is_covered: Tensor) -> tuple[Tensor, Tensor]:
        first = torch.where(is_covered, pixel, side).amin(1) if len(is_covered) else pixel[:0]
        last = torch.where(is_covered, pixel, -1).amax(1) if len(is_covered) else pixel[:0]
        return first, last + 1

    (left, right), (top, bottom) = ends(masks.any(1)), ends(masks.any(2))
    boxes = torch.stack([left, top, right, bottom], 1).to(labels.ellipses.dtype)
    return {"boxes": boxes, "labels": stage + 1, "masks": masks.to(torch.uint8)}


def _pixel_classes(labels: Labels, row: int, side: int) -> Tensor:
    """(side, side) int64. Ignored objects count where no other one lies."""
    classes = torch.zeros((side, side), dtype=torch.int64, device=labels.ellipses.device)
    for role in (Role.IGNORED, Role.TARGET):
        chosen = labels.role[row] == role
        masks = object_masks(labels.ellipses[row][chosen], side)
        for mask, stage in zip(masks, labels.stage[row][chosen], strict=True):
            classes[mask] = _IGNORED_PIXEL if role == Role.IGNORED else stage + 1
    return classes


def _standardised(pictures: Tensor) -> Tensor:
    return (pictures.expand(-1, 3, -1, -1) - _MEAN) / _SPREAD


def _regions(shares: NDArray[np.float32], stage: int) -> Outlines:
    """The connected regions of one class. Objects that touch are one: such networks do not tell them apart."""
    of_class = (shares.argmax(0) == stage).astype(np.uint8)
    number, labels, stats, _ = cv2.connectedComponentsWithStats(of_class)
    return [
        _outline(labels == label, stage, float(shares[stage][labels == label].mean()))
        for label in range(1, number)
        if stats[label, cv2.CC_STAT_AREA] >= _LEAST_AREA_PX
    ]


def _outline(mask: NDArray[np.bool_], stage: int, score: float) -> dict[str, Any]:
    return {"ellipse": ellipse_of_mask(mask.astype(np.uint8)).tolist(), "score": score, "category_id": stage}
