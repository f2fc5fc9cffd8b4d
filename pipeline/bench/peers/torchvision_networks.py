"""General-purpose networks of torchvision, without any weights of theirs, for the same pictures and labels as ours.

``mask-rcnn`` finds objects with masks (He et al., ICCV 2017); ``lraspp`` (Howard et al., ICCV 2019), ``deeplab`` (Chen
et al. 2017, arXiv 1706.05587) and ``fcn`` (Long et al., CVPR 2015; all from memory) say of each pixel what it shows.
The last three are not trained where an ignored object lies; Mask R-CNN cannot be told, and does not see such objects.
"""

from __future__ import annotations

from typing import Any, cast

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from models.output_channels import INPUT_SIDE_PX
from models.stages import STAGES
from models.targets import Labels, Role
from pipeline.bench.peers.object_masks import boxes_of_masks, object_masks, pixel_classes
from pipeline.bench.peers.torch_network import TorchNetwork
from pipeline.bench.peers.trainable_network import Outlines
from pipeline.bench.results.outlines import ellipse_of_mask

__all__ = ["mask_rcnn", "segmentation_network"]

_CLASSES = 1 + len(STAGES)  # the first is background
_IGNORED_PIXEL = 255
_LEAST_AREA_PX = 12  # of a region; fewer pixels have no shape. Common practice, no source
_MASK_LEVEL = 0.5  # of Mask R-CNN's masks, as its authors use it
# For pictures of 256 px; torchvision's own, 32 to 512, are for 800. Octaves as there.
_ANCHOR_SIDES_PX = ((8,), (16,), (32,), (64,), (128,))
# Regions of a picture that Mask R-CNN learns from; torchvision's own, 512, are for larger ones (judgement).
_REGIONS = 128
# Of grey levels from 0 to 1: about those of phantoms. Common practice, no source.
_MEAN, _SPREAD = 0.3, 0.25


def mask_rcnn() -> TorchNetwork:
    return TorchNetwork(
        build=_build_mask_rcnn,
        loss=_mask_rcnn_loss,
        outlines=_mask_rcnn_outlines,
        batch=32,
        learning_rate=5e-4,
        has_fixed_shapes=False,
    )


def segmentation_network(function: str, *, batch: int, learning_rate: float) -> TorchNetwork:
    """function : of torchvision.models.segmentation"""

    def build() -> nn.Module:
        from torchvision.models import segmentation

        network: nn.Module = getattr(segmentation, function)(weights=None, weights_backbone=None, num_classes=_CLASSES)
        return network

    return TorchNetwork(
        build=build,
        loss=_segmentation_loss,
        outlines=_segmentation_outlines,
        batch=batch,
        learning_rate=learning_rate,
    )


class _Bfloat16(nn.Module):
    """A part of a network that runs in bfloat16 on a GPU. Its answers are float32."""

    def __init__(self, part: nn.Module) -> None:
        super().__init__()
        self.part = part

    def forward(self, values: Tensor) -> Any:
        with torch.autocast(values.device.type, dtype=torch.bfloat16, enabled=values.is_cuda):
            answer = self.part(values)
        return answer.float() if isinstance(answer, Tensor) else type(answer)((k, v.float()) for k, v in answer.items())


def _build_mask_rcnn() -> nn.Module:
    from torchvision.models.detection import maskrcnn_resnet50_fpn
    from torchvision.models.detection.anchor_utils import AnchorGenerator

    network: Any = maskrcnn_resnet50_fpn(
        weights=None,
        weights_backbone=None,
        num_classes=_CLASSES,
        min_size=INPUT_SIDE_PX,
        max_size=INPUT_SIDE_PX,
        image_mean=[_MEAN] * 3,
        image_std=[_SPREAD] * 3,
        rpn_anchor_generator=AnchorGenerator(_ANCHOR_SIDES_PX, ((0.5, 1.0, 2.0),) * len(_ANCHOR_SIDES_PX)),
        box_batch_size_per_image=_REGIONS,
    )
    # Not the rest: its boxes would be bfloat16, too, whose steps are whole pixels from 128 on.
    network.backbone = _Bfloat16(network.backbone)
    network.roi_heads.box_head = _Bfloat16(network.roi_heads.box_head)
    network.roi_heads.mask_head = _Bfloat16(network.roi_heads.mask_head)
    return cast(nn.Module, network)


def _mask_rcnn_loss(network: nn.Module, pictures: Tensor, labels: Labels) -> Tensor:
    """The sum of the losses that torchvision gives."""
    targets = _mask_rcnn_targets(labels, pictures.shape[-1])
    losses: dict[str, Tensor] = network(list(pictures.expand(-1, 3, -1, -1)), targets)
    return torch.stack(list(losses.values())).sum()


def _mask_rcnn_targets(labels: Labels, side: int) -> list[dict[str, Tensor]]:
    """For each picture the boxes (N, 4), labels (N,) and masks (N, side, side) of what is to be found in it."""
    masks = object_masks(labels.ellipses, side)
    wanted = (labels.role == Role.TARGET) & masks.flatten(2).any(2)
    boxes = boxes_of_masks(masks).to(labels.ellipses.dtype)
    return [
        {"boxes": boxes[row][chosen], "labels": labels.stage[row][chosen] + 1, "masks": masks[row][chosen].byte()}
        for row, chosen in enumerate(wanted)
    ]


def _mask_rcnn_outlines(network: nn.Module, picture: Tensor) -> Outlines:
    found = network(list(picture.expand(-1, 3, -1, -1)))[0]
    masks = (found["masks"][:, 0] > _MASK_LEVEL).cpu().numpy()
    regions = zip(masks, found["labels"].tolist(), found["scores"].tolist(), strict=True)
    return [_outline(mask, stage, score) for mask, stage, score in regions if mask.sum() >= _LEAST_AREA_PX]


def _segmentation_loss(network: nn.Module, pictures: Tensor, labels: Labels) -> Tensor:
    """The mean cross entropy of the pixels."""
    classes = pixel_classes(labels, pictures.shape[-1], ignored=_IGNORED_PIXEL)
    with torch.autocast(pictures.device.type, dtype=torch.bfloat16, enabled=pictures.is_cuda):
        answer = network(_standardised(pictures))["out"]
    return nn.functional.cross_entropy(answer.float(), classes, ignore_index=_IGNORED_PIXEL)


def _segmentation_outlines(network: nn.Module, picture: Tensor) -> Outlines:
    shares = network(_standardised(picture))["out"][0].softmax(0).cpu().numpy()
    return [outline for stage in range(1, _CLASSES) for outline in _regions(shares, stage)]


def _standardised(pictures: Tensor) -> Tensor:
    three = (pictures.expand(-1, 3, -1, -1) - _MEAN) / _SPREAD
    return three.contiguous(memory_format=torch.channels_last)


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
