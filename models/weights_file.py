"""Weights files: the network's shape and its tensors, read without torch."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

__all__ = ["NetworkConfig", "StoredNetwork", "WeightsError", "read_weights", "shipped_weights", "weights_sha256"]

Network = TypeVar("Network")


class WeightsError(ClutchlightError):
    """A weights file that is missing, damaged or made for another network."""


@dataclass(frozen=True)
class NetworkConfig:
    """widths : channels at strides 2, 4, 8, 16 and 32;  blocks : residual blocks per level of the encoder
    frames : grey frames that go in, of which the middle one is labelled; only networks of one can be run on clips
    """

    widths: tuple[int, int, int, int, int] = (16, 32, 64, 128, 192)
    blocks: tuple[int, int, int, int, int] = (1, 1, 2, 2, 2)
    frames: int = 1


@dataclass(frozen=True)
class StoredNetwork:
    """What a weights file holds.

    tensors : by the names of models.network; numbers with a fraction are float32
    input_limits : of the numbers that go into each convolution, by its name, when it is computed in 8 bits
        (`models.eight_bits`); empty if none were found, as in older files
    """

    config: NetworkConfig
    tensors: Mapping[str, NDArray[Any]]
    input_limits: Mapping[str, float]


def shipped_weights() -> Path:
    """The weights file that is part of the package."""
    return Path(__file__).parent / "weights" / "clutchlight.safetensors"


def weights_sha256(path: Path) -> str:
    """SHA-256 of the weights file: the identity of the network in every result. Raises WeightsError if unreadable."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise WeightsError(
            f"No weights file at {path} ({error.strerror}). Name one that exists, or leave the option out."
        ) from error


def read_weights(path: Path, build: Callable[[StoredNetwork], Network]) -> Network:
    """The network that ``build`` makes of the file.

    Raises WeightsError for a file that is missing or damaged, or if ``build`` raises any exception, as it does for
    tensors of another network.
    """
    from safetensors import safe_open

    try:
        with safe_open(path, framework="np") as stored:
            metadata = stored.metadata() or {}
            config = _read_config(metadata["network_shape"])
            input_limits = _read_limits(metadata.get("input_limits", "{}"))
            tensors = {name: _as_float32(stored.get_tensor(name)) for name in stored.keys()}  # noqa: SIM118, no mapping
        return build(StoredNetwork(config, tensors, input_limits))
    except FileNotFoundError as error:
        raise WeightsError(f"There is no weights file at {path}. Name an existing file, or omit the option.") from error
    except Exception as error:
        # safetensors raises its own undocumented types for damaged files, torch a RuntimeError for other shapes.
        raise WeightsError(f"{path} does not hold weights of this network ({error}). Use another file.") from error


def _as_float32(values: NDArray[Any]) -> NDArray[Any]:
    return values.astype(np.float32) if values.dtype.kind == "f" else values


def _read_limits(input_limits: str) -> dict[str, float]:
    """From a file's metadata (JSON). Raises ValueError for what cannot be limits."""
    limits = {str(name): float(limit) for name, limit in json.loads(input_limits).items()}
    if not all(0 < limit < math.inf for limit in limits.values()):
        raise ValueError("its input_limits are not all positive numbers")
    return limits


# Older files also state what the network's input is. These values stand for one grey frame and nothing else.
_INPUT_OF_OLDER_FILES = {"frames": 1, "told_scale": False, "has_scale_channel": False}


def _read_config(network_shape: str) -> NetworkConfig:
    """The shape in a file's metadata (JSON). Raises KeyError or ValueError for that of another kind of network."""
    stored = json.loads(network_shape)
    config = NetworkConfig(tuple(stored.pop("widths")), tuple(stored.pop("blocks")))
    for name, value in stored.items():
        if name not in _INPUT_OF_OLDER_FILES or value != _INPUT_OF_OLDER_FILES[name]:
            raise ValueError(
                f"its {name} is {json.dumps(value)}; this program runs networks whose input is one grey frame"
            )
    return config
