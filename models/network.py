"""The network: one grey picture in, dense maps of centres, stages and amodal ellipses out.

An encoder and decoder with skip connections (U-Net: Ronneberger et al., MICCAI 2015) of residual blocks, small
enough for two CPU cores. The picture is halved once before anything else and the answer is given on a grid four
times coarser than the picture, because an egg's outline is regressed as numbers and not painted.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import cast

import torch
from torch import Tensor, nn
from torch.nn import functional

from models.errors import ClutchlightError
from models.output_channels import CHANNEL_COUNT, CHANNELS

__all__ = [
    "EggNetwork",
    "NetworkConfig",
    "WeightsError",
    "load_weights",
    "save_weights",
]


class WeightsError(ClutchlightError):
    """A weights file that is missing, damaged or made for another network."""


@dataclass(frozen=True)
class NetworkConfig:
    """What the network is made of and what it is shown.

    widths : channels at strides 2, 4, 8, 16 and 32;  blocks : residual blocks per level of the encoder
    frames : neighbouring frames of a sweep, one a channel; the answer is about the middle one
    has_scale_channel : whether a further channel holds log(mm per px) everywhere, or 0 where that is not known
    """

    widths: tuple[int, int, int, int, int] = (16, 32, 64, 128, 192)
    blocks: tuple[int, int, int, int, int] = (1, 1, 2, 2, 2)
    frames: int = 1
    has_scale_channel: bool = False

    @property
    def input_channels(self) -> int:
        """Channels of the picture."""
        return self.frames + int(self.has_scale_channel)


class _Block(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.first_norm = nn.BatchNorm2d(width)
        self.second = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.second_norm = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        inner = functional.relu(self.first_norm(self.first(x)))
        return functional.relu(x + self.second_norm(self.second(inner)))


def _convolution(before: int, after: int, *, side: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(before, after, side, stride=stride, padding=side // 2, bias=False),
        nn.BatchNorm2d(after),
        nn.ReLU(inplace=True),
    )


class EggNetwork(nn.Module):
    """(B, input_channels, H, W) float32, grey in [0, 1], H and W multiples of 32 -> (B, 11, H/4, W/4), see models.output_channels."""

    def __init__(self, shape: NetworkConfig | None = None) -> None:
        super().__init__()
        self.config = shape or NetworkConfig()
        widths, blocks = self.config.widths, self.config.blocks
        self.stem = _convolution(self.config.input_channels, widths[0], side=5, stride=2)
        self.down = nn.ModuleList(_convolution(before, after, side=3, stride=2) for before, after in pairwise(widths))
        self.levels = nn.ModuleList(
            nn.Sequential(*(_Block(width) for _ in range(count))) for width, count in zip(widths, blocks, strict=True)
        )
        self.lateral = nn.ModuleList(_convolution(deep, shallow, side=1) for shallow, deep in pairwise(widths[1:]))
        self.merged = nn.ModuleList(_Block(width) for width in widths[1:-1])
        self.head = nn.Sequential(_convolution(widths[1], 64, side=3), nn.Conv2d(64, CHANNEL_COUNT, 1))
        # Centres are rare: start from a probability of 1 % so that the first steps are not spent unlearning them
        # (Lin et al., Focal loss, ICCV 2017, section 4.1).
        final = cast(nn.Conv2d, self.head[1])
        nn.init.zeros_(cast(Tensor, final.bias))
        nn.init.constant_(cast(Tensor, final.bias)[0], -4.6)

    def forward(self, picture: Tensor) -> Tensor:
        x = self.levels[0](self.stem(picture))
        kept: list[Tensor] = []
        for down, level in zip(self.down, list(self.levels)[1:], strict=True):
            x = level(down(x))
            kept.append(x)
        x = kept[-1]
        for index in range(len(kept) - 2, -1, -1):
            deeper = functional.interpolate(self.lateral[index](x), scale_factor=2.0, mode="nearest")
            x = self.merged[index](kept[index] + deeper)
        return cast(Tensor, self.head(x))

    @torch.no_grad()
    def scale_uncertainty(self, *, centre: float, axes: float) -> None:
        """Multiply all errors that the network states of itself: their logarithms are what the last layer says."""
        bias = cast(Tensor, cast(nn.Conv2d, self.head[1]).bias)
        bias[CHANNELS["uncertainty"]] += torch.tensor([centre, axes], device=bias.device).log()


def save_weights(network: EggNetwork, path: Path, notes: dict[str, str]) -> None:
    """Write float16 safetensors with the network's shape and the notes (who made it, how, how good) inside."""
    from safetensors.torch import save

    tensors = {
        name: value.detach().cpu().to(torch.float16 if value.is_floating_point() else value.dtype).contiguous()
        for name, value in network.state_dict().items()
    }
    part = path.with_name(f".{path.name}.part")  # a file of the name itself is whole
    part.write_bytes(_in_order(save(tensors, metadata={**notes, "network_shape": json.dumps(asdict(network.config))})))
    part.replace(path)


def _in_order(content: bytes) -> bytes:
    """The same safetensors file with its header sorted: safetensors writes the metadata in an order of chance.

    A file is the header's length (8 bytes, little-endian), the header (JSON, filled up with spaces), and the tensors.
    """
    end = 8 + int.from_bytes(content[:8], "little")
    header = json.dumps(json.loads(content[8:end]), sort_keys=True, separators=(",", ":")).encode()
    header += b" " * (-len(header) % 8)
    return len(header).to_bytes(8, "little") + header + content[end:]


def load_weights(path: Path) -> EggNetwork:
    """The network in evaluation mode, float32.

    Raises WeightsError for a file that is missing, damaged or of another network.
    """
    from safetensors import safe_open

    try:
        with safe_open(path, framework="pt") as stored:
            shape = json.loads(
                (stored.metadata() or {})["network_shape"].replace('"told_scale"', '"has_scale_channel"')
            )
            tensors = {name: stored.get_tensor(name) for name in stored.keys()}  # noqa: SIM118, no mapping
        network = EggNetwork(
            NetworkConfig(tuple(shape.pop("widths")), tuple(shape.pop("blocks")), **shape)  # files may know fewer keys
        )
        network.load_state_dict({n: t.float() if t.is_floating_point() else t for n, t in tensors.items()})
    except FileNotFoundError as error:
        raise WeightsError(f"No weights file at {path}. Name one that exists, or leave the option out.") from error
    except Exception as error:
        # safetensors raises its own undocumented types for damaged files, torch a RuntimeError for other shapes.
        raise WeightsError(f"{path} does not hold weights of this network ({error}). Use another file.") from error
    return network.eval()
