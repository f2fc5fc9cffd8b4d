"""The networks that can be trained for a comparison, by name, and those that were."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import torch

from pipeline.bench.methods.method import MethodError
from pipeline.bench.peers.our_network import our_network
from pipeline.bench.peers.stardist_network import StarDistNetwork
from pipeline.bench.peers.torchvision_networks import mask_rcnn, segmentation_network
from pipeline.bench.peers.trainable_network import NAME, Finder, TrainableNetwork

__all__ = ["NETWORKS", "OURS", "load_network"]

OURS = "ours"

# Batches and learning rates: common practice, no source.
NETWORKS: dict[str, Callable[[], TrainableNetwork]] = {
    OURS: our_network,
    "mask-rcnn": mask_rcnn,
    "lraspp": lambda: segmentation_network("lraspp_mobilenet_v3_large", batch=192, learning_rate=2e-3),
    "deeplab": lambda: segmentation_network("deeplabv3_resnet50", batch=64, learning_rate=1e-3),
    "fcn": lambda: segmentation_network("fcn_resnet50", batch=64, learning_rate=1e-3),
    "stardist": StarDistNetwork,
}
"""What gives each of them."""


@cache
def load_network(path: str, device: str = "") -> tuple[str, Finder]:
    """The name of the network in a file, and the network, ready to answer.

    device : of torch; empty for a GPU if there is one, else the CPU

    Raises MethodError if the file or the device cannot be used.
    """
    from safetensors import safe_open

    try:
        with safe_open(path, "pt") as file:
            name = (file.metadata() or {}).get(NAME, OURS)
        chosen = device or ("cuda" if torch.cuda.is_available() else "cpu")
        return name, NETWORKS[name]().load(Path(path), torch.device(chosen))
    except MethodError:
        raise
    except Exception as error:  # safetensors, torch and others raise many kinds
        raise MethodError(
            f"{path or 'No file'} is no trained network that runs on {device or 'this machine'} ({error!r}). Name a "
            "file written by clutchlight bench train-peer with ,weights=FILE."
        ) from error
