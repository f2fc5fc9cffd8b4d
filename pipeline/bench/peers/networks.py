"""The networks that can be trained for a comparison, by name, and their weights files."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.network import EggNetwork, load_weights, save_weights
from pipeline.bench.methods.method import MethodError
from pipeline.bench.peers.our_network import our_network
from pipeline.bench.peers.torchvision_networks import mask_rcnn, segmentation_network
from pipeline.bench.peers.trainable_network import Outlines, TrainableNetwork

__all__ = ["NETWORKS", "OURS", "found_outlines", "load_network", "save_network"]

OURS = "ours"

# Batches and learning rates: common practice, no source.
NETWORKS: dict[str, Callable[[], TrainableNetwork]] = {
    OURS: our_network,
    "mask-rcnn": mask_rcnn,
    "lraspp": lambda: segmentation_network("lraspp_mobilenet_v3_large", batch=192, learning_rate=2e-3),
    "deeplab": lambda: segmentation_network("deeplabv3_resnet50", batch=64, learning_rate=1e-3),
    "fcn": lambda: segmentation_network("fcn_resnet50", batch=64, learning_rate=1e-3),
}
"""What gives each of them."""

_NAME = "network"


def save_network(name: str, network: nn.Module, path: Path, notes: Mapping[str, str]) -> None:
    """Write float16 weights, with the network's name and notes inside. Ours are a file as of ``clutchlight train``."""
    from safetensors.torch import save_file

    known = {_NAME: name, **notes}
    path.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(network, EggNetwork):
        save_weights(network, path, known)
    else:
        state = network.state_dict().items()
        half = {key: value.half() if value.is_floating_point() else value for key, value in state}
        save_file({key: value.detach().cpu().contiguous() for key, value in half.items()}, path, known)


@torch.no_grad()
def found_outlines(name: str, network: nn.Module, picture: NDArray[np.float32]) -> Outlines:
    """What a trained network finds in a picture (S, S) in [0, 1]: outlines in its px, with score and stage."""
    device = next(network.parameters()).device
    return NETWORKS[name]().outlines(network, torch.from_numpy(picture)[None, None].to(device))


@cache
def load_network(path: str, device: str = "") -> tuple[str, nn.Module]:
    """The name and the trained network of a file, ready to answer.

    device : of torch; empty for a GPU if there is one, else the CPU

    Raises MethodError if the file or the device cannot be used.
    """
    from safetensors import safe_open
    from safetensors.torch import load_file

    try:
        with safe_open(path, "pt") as file:
            name = (file.metadata() or {}).get(_NAME, OURS)
        if name == OURS:
            network: nn.Module = load_weights(Path(path))
        else:
            network = NETWORKS[name]().build()
            network.load_state_dict(load_file(path))
        chosen = device or ("cuda" if torch.cuda.is_available() else "cpu")
        return name, network.to(chosen).eval()
    except Exception as error:  # safetensors and torch raise many kinds
        raise MethodError(
            f"{path or 'No file'} is no trained network that runs on {device or 'this machine'} ({error!r}). Name a "
            "file written by clutchlight bench train-peer with ,weights=FILE."
        ) from error
