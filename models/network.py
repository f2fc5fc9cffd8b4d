"""The network: one grey picture in, dense maps of centres, stages and amodal ellipses out.

An encoder and decoder with skip connections (U-Net: Ronneberger et al., MICCAI 2015) of residual blocks, small
enough for two CPU cores. The first layer halves the picture, and the output grid is four times coarser than the
picture, because an egg's outline is regressed as numbers, not drawn pixel by pixel.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import cast

import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

from models.atomic_write import partial_file
from models.output_channels import CHANNEL_COUNT, CHANNELS
from models.weights_file import NetworkConfig, StoredNetwork, read_weights

__all__ = ["EggNetwork", "load_weights", "save_weights"]


class _Block(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.first_norm: nn.Module = nn.BatchNorm2d(width)
        self.second = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.second_norm: nn.Module = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        inner = functional.relu(self.first_norm(self.first(x)))
        return functional.relu(x + self.second_norm(self.second(inner)))


def _convolution(before: int, after: int, *, side: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(before, after, side, stride=stride, padding=side // 2, bias=False),
        nn.BatchNorm2d(after),
        nn.ReLU(inplace=True),
    )


def _folded(convolution: nn.Module, norm: nn.Module) -> tuple[nn.Conv2d, nn.Module]:
    """One convolution in place of both, and nothing."""
    return fuse_conv_bn_eval(cast(nn.Conv2d, convolution), cast(nn.BatchNorm2d, norm)), nn.Identity()


class EggNetwork(nn.Module):
    """Pictures (B, frames, H, W) float32, grey in [0, 1], H and W multiples of 32 -> (B, 11, H/4, W/4).

    The channels of the output are those of models.output_channels. The names of the attributes are the names of the
    tensors in weights files.

    input_limits : as in `models.weights_file.StoredNetwork`
    """

    def __init__(self, config: NetworkConfig | None = None) -> None:
        super().__init__()
        self.config = config or NetworkConfig()
        self.input_limits: dict[str, float] = {}
        widths, blocks = self.config.widths, self.config.blocks
        self.stem = _convolution(self.config.frames, widths[0], side=5, stride=2)
        self.down = nn.ModuleList(_convolution(before, after, side=3, stride=2) for before, after in pairwise(widths))
        self.levels = nn.ModuleList(
            nn.Sequential(*(_Block(width) for _ in range(count))) for width, count in zip(widths, blocks, strict=True)
        )
        self.lateral = nn.ModuleList(_convolution(deep, shallow, side=1) for shallow, deep in pairwise(widths[1:]))
        self.merged = nn.ModuleList(_Block(width) for width in widths[1:-1])
        self.head = nn.Sequential(_convolution(widths[1], 64, side=3), nn.Conv2d(64, CHANNEL_COUNT, 1))
        # Centres are rare. Starting from a probability of 1 % (logit -4.6), the first steps need not unlearn them
        # (Lin et al., Focal loss, ICCV 2017, section 4.1).
        final = cast(nn.Conv2d, self.head[1])
        nn.init.zeros_(cast(Tensor, final.bias))
        nn.init.constant_(cast(Tensor, final.bias)[0], -4.6)

    def forward(self, picture: Tensor) -> Tensor:
        x = self.levels[0](self.stem(picture))
        skips: list[Tensor] = []
        for down, level in zip(self.down, list(self.levels)[1:], strict=True):
            x = level(down(x))
            skips.append(x)
        x = skips[-1]
        for index in range(len(skips) - 2, -1, -1):
            deeper = functional.interpolate(self.lateral[index](x), scale_factor=2.0, mode="nearest")
            x = self.merged[index](skips[index] + deeper)
        return cast(Tensor, self.head(x))

    @torch.no_grad()
    def fold_normalisation(self) -> None:
        """Make each normalisation a part of the convolution before it: the same function with fewer steps, which
        cannot be trained any further."""
        for part in self.modules():
            if isinstance(part, _Block):
                part.first, part.first_norm = _folded(part.first, part.first_norm)
                part.second, part.second_norm = _folded(part.second, part.second_norm)
            elif isinstance(part, nn.Sequential) and len(part) > 1 and isinstance(part[1], nn.BatchNorm2d):
                part[0], part[1] = _folded(part[0], part[1])

    @torch.no_grad()
    def scale_uncertainty(self, *, centre: float, axes: float) -> None:
        """Multiply the uncertainties by two factors, by a shift of the bias: the last layer puts out logarithms."""
        bias = cast(Tensor, cast(nn.Conv2d, self.head[1]).bias)
        bias[CHANNELS["uncertainty"]] += torch.tensor([centre, axes], device=bias.device).log()


def save_weights(network: EggNetwork, path: Path, notes: dict[str, str]) -> None:
    """Write float16 safetensors whose metadata are the network's shape and the notes, such as settings and metrics."""
    from safetensors.torch import save

    tensors = {
        name: value.detach().cpu().to(torch.float16 if value.is_floating_point() else value.dtype).contiguous()
        for name, value in network.state_dict().items()
    }
    metadata = {**notes, "network_shape": json.dumps(asdict(network.config))}
    if network.input_limits:
        metadata["input_limits"] = json.dumps(network.input_limits)
    content = save(tensors, metadata=metadata)
    with partial_file(path) as part:
        part.write_bytes(_with_sorted_header(content))


def _with_sorted_header(content: bytes) -> bytes:
    """The same safetensors file with its header sorted, since safetensors writes the metadata in random order.

    A file is the header's length (8 bytes, little-endian), the header (JSON, padded with spaces), and the tensors.
    """
    end = 8 + int.from_bytes(content[:8], "little")
    header = json.dumps(json.loads(content[8:end]), sort_keys=True, separators=(",", ":")).encode()
    header += b" " * (-len(header) % 8)
    return len(header).to_bytes(8, "little") + header + content[end:]


def load_weights(path: Path) -> EggNetwork:
    """The network in evaluation mode, float32.

    Raises WeightsError for a file that is missing, damaged or made for another network.
    """

    def build(stored: StoredNetwork) -> EggNetwork:
        network = EggNetwork(stored.config)
        network.load_state_dict({name: torch.from_numpy(values) for name, values in stored.tensors.items()})
        network.input_limits = dict(stored.input_limits)
        return network.eval()

    return read_weights(path, build)
