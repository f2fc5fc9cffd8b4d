"""The network as a graph of OpenVINO, built from the weights file itself, so that torch need not be installed.

It repeats `models.network.EggNetwork.forward` in OpenVINO's operations. A test compares the two. Nothing converted is
stored, so nothing can belong to other weights, and a network of one's own needs no step between training and use.

With 8 bits, what goes into a convolution and its weights are rounded to whole numbers of 8 bits, which processors
multiply two to four times as fast (Jacob et al., Quantization and Training of Neural Networks for Efficient
Integer-Arithmetic-Only Inference, CVPR 2018, section 2). The layers at the finest grids are left as they are. Of the
first, whose inputs are the picture and its half, one rounding error is the same all over a picture, since most of it is
dark and flat; those of the last make outlines waver from frame to frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.openvino_library import import_openvino
from models.output_channels import CHANNEL_COUNT, INPUT_SIDE_PX
from models.weights_file import StoredNetwork

__all__ = ["build_graph"]

NORM_EPSILON = 1e-5  # of torch's BatchNorm2d
HEAD_WIDTH = 64  # channels of the last hidden layer
INPUT_LEVELS, WEIGHT_LEVELS = 256, 255  # of 8 bits; weights have as many below 0 as above
NOT_ROUNDED = ("stem.", "levels.0.", "down.0.", "lateral.0.", "merged.0.", "head.")


def build_graph(stored: StoredNetwork, *, eight_bits: bool = False) -> Any:
    """An ``openvino.Model``: pictures (B, 1, S, S) float32, grey in [0, 1] -> (B, 11, S/4, S/4).

    eight_bits : compute the layers in 8 bits whose ``input_limits`` the file holds

    Raises ValueError if a tensor is missing, left over or of another shape.
    """
    builder = _Builder(stored, stored.input_limits if eight_bits else {})
    widths, blocks = stored.config.widths, stored.config.blocks
    picture = builder.ops.parameter([-1, 1, INPUT_SIDE_PX, INPUT_SIDE_PX], np.float32, name="picture")
    x = builder.convolution(picture, "stem", (widths[0], 1, 5, 5), stride=2)
    x = builder.level(x, 0, widths[0], blocks[0])
    skips = []
    for index in range(1, len(widths)):
        x = builder.convolution(x, f"down.{index - 1}", (widths[index], widths[index - 1], 3, 3), stride=2)
        x = builder.level(x, index, widths[index], blocks[index])
        skips.append(x)
    for index in range(len(skips) - 2, -1, -1):
        shallow, deep = widths[index + 1], widths[index + 2]
        deeper = builder.doubled(builder.convolution(x, f"lateral.{index}", (shallow, deep, 1, 1)))
        x = builder.block(builder.ops.add(skips[index], deeper), f"merged.{index}", shallow)
    x = builder.convolution(x, "head.0", (HEAD_WIDTH, widths[1], 3, 3))
    x = builder.biased(x, "head.1", (CHANNEL_COUNT, HEAD_WIDTH, 1, 1))
    builder.check_all_used()
    return import_openvino().Model([x], [picture], "clutchlight")


class _Builder:
    """Layers whose weights are the tensors of a file. Names are those of the modules in models.network."""

    def __init__(self, stored: StoredNetwork, input_limits: Mapping[str, float]) -> None:
        """input_limits : of the convolutions that are computed in 8 bits"""
        import_openvino()
        from openvino import opset13

        self.ops: Any = opset13
        self._input_limits = {n: limit for n, limit in input_limits.items() if not n.startswith(NOT_ROUNDED)}
        # How many batches a normalisation layer has seen only matters for training.
        self._unused = {n: t for n, t in stored.tensors.items() if not n.endswith("num_batches_tracked")}

    def convolution(self, x: Any, name: str, shape: tuple[int, int, int, int], *, stride: int = 1) -> Any:
        """Convolution, normalisation and ReLU."""
        return self.ops.relu(self._normed(x, f"{name}.0", f"{name}.1", shape, stride))

    def level(self, x: Any, index: int, width: int, blocks: int) -> Any:
        for block in range(blocks):
            x = self.block(x, f"levels.{index}.{block}", width)
        return x

    def block(self, x: Any, name: str, width: int) -> Any:
        shape = (width, width, 3, 3)
        inner = self.ops.relu(self._normed(x, f"{name}.first", f"{name}.first_norm", shape))
        return self.ops.relu(self.ops.add(x, self._normed(inner, f"{name}.second", f"{name}.second_norm", shape)))

    def doubled(self, x: Any) -> Any:
        """Each pixel twice as wide and as high."""
        scales, axes = np.array([2.0, 2.0], np.float32), np.array([2, 3], np.int64)
        return self.ops.interpolate(
            x,
            scales,
            mode="nearest",
            shape_calculation_mode="scales",
            coordinate_transformation_mode="asymmetric",
            nearest_mode="floor",
            axes=axes,
        )

    def biased(self, x: Any, name: str, shape: tuple[int, int, int, int]) -> Any:
        """A convolution with a bias and nothing else."""
        bias = self._take(f"{name}.bias", shape[:1]).reshape(1, -1, 1, 1)
        return self.ops.add(self._convolved(x, name, shape), bias)

    def check_all_used(self) -> None:
        if self._unused:
            raise ValueError(f"{len(self._unused)} unknown tensors, the first of them {min(self._unused)}")

    def _normed(self, x: Any, name: str, norm: str, shape: tuple[int, int, int, int], stride: int = 1) -> Any:
        gain, bias, mean, variance = (
            self._take(f"{norm}.{part}", shape[:1]) for part in ("weight", "bias", "running_mean", "running_var")
        )
        x = self._convolved(x, name, shape, stride)
        return self.ops.batch_norm_inference(x, gain, bias, mean, variance, NORM_EPSILON)

    def _convolved(self, x: Any, name: str, shape: tuple[int, int, int, int], stride: int = 1) -> Any:
        weight: Any = self._take(f"{name}.weight", shape)
        if name in self._input_limits:
            x, weight = self._rounded(x, weight, self._input_limits[name])
        pad = [shape[-1] // 2] * 2
        return self.ops.convolution(x, weight, [stride] * 2, pad, pad, [1, 1])

    def _rounded(self, x: Any, weight: NDArray[np.float32], limit: float) -> tuple[Any, Any]:
        """Both with as many levels as 8 bits have: inputs from 0 to their limit, weights by output channel."""
        low, high = np.float32(0), np.float32(limit)
        largest = np.maximum(np.abs(weight).max(axis=(1, 2, 3), keepdims=True), np.finfo(np.float32).tiny)
        return (
            self.ops.fake_quantize(x, low, high, low, high, INPUT_LEVELS),
            self.ops.fake_quantize(self.ops.constant(weight), -largest, largest, -largest, largest, WEIGHT_LEVELS),
        )

    def _take(self, name: str, shape: tuple[int, ...]) -> NDArray[np.float32]:
        if name not in self._unused:
            raise ValueError(f"the tensor {name} is missing")
        tensor = self._unused.pop(name)
        if tensor.shape != shape:
            raise ValueError(f"the tensor {name} is {tensor.shape}, not {shape}")
        return np.asarray(tensor, np.float32)
