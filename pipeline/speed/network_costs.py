"""What the network alone costs, beside what its operations and bytes would cost at best on the same device.

The best that a device can do is measured in the same run: a large matrix product, and a copy within its memory.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch

from models.network import load_weights
from models.network_work import count_work
from models.output_channels import INPUT_SIDE_PX
from models.runtime import make_engine

__all__ = ["NetworkCosts", "measure_network"]

PRECISIONS = {"f32": torch.float32, "bf16": torch.bfloat16, "f16": torch.float16, "i8": torch.int8}
TRIES, SECONDS_PER_TRY = 5, 0.1  # the best counts, since other programs only ever slow it down
# Large enough for the best rate; both take some 10 ms at most.
PRODUCT_SIDE = {"cpu": 1024, "cuda": 8192}
COPIED_BYTES = {"cpu": 2**26, "cuda": 2**32}


@dataclass(frozen=True)
class NetworkCosts:
    """engine : its name, on one thread of the processor;  batch : pictures that are given to it at once

    s_per_picture : with the way to the device and back; on a GPU on the clock, else processor time
    operations, bytes_moved : of one picture, as `models.network_work` counts them
    operations_per_s, bytes_per_s : of a matrix product by torch in the precision of most layers, and of a copy, in this
    run
    """

    engine: str
    batch: int
    s_per_picture: float
    operations: int
    bytes_moved: float
    operations_per_s: float
    bytes_per_s: float

    @property
    def operations_s(self) -> float:
        """The least time for the operations of a picture."""
        return self.operations / self.operations_per_s

    @property
    def bytes_s(self) -> float:
        """The least time to move the bytes of a picture."""
        return self.bytes_moved / self.bytes_per_s

    @property
    def reached_share(self) -> float:
        """Of the best that the device allows."""
        return max(self.operations_s, self.bytes_s) / self.s_per_picture

    def document(self) -> dict[str, Any]:
        floors = {"operations_s": self.operations_s, "bytes_s": self.bytes_s, "reached_share": self.reached_share}
        return {**asdict(self), **floors}

    def table(self) -> str:
        """Three lines: what is reached, and what operations and bytes allow."""
        return "\n".join(
            [
                f"the network alone, {self.engine}, {self.batch} pictures at once: {1e3 * self.s_per_picture:.3f} ms a "
                f"picture, {1 / self.s_per_picture:,.0f} a second, {self.reached_share:.0%} of the best",
                f"  {self.operations / 1e9:.2f} G operations, at best {1e3 * self.operations_s:.3f} ms at the "
                f"{self.operations_per_s / 1e9:,.0f} G a second of a matrix product",
                f"  {self.bytes_moved / 1e6:.1f} MB to move, at best {1e3 * self.bytes_s:.3f} ms at the "
                f"{self.bytes_per_s / 1e9:,.1f} GB a second of a copy, read and written",
            ]
        )


def measure_network(engine_name: str, weights: Path, batch: int) -> NetworkCosts:
    """engine_name : as for `models.runtime.make_engine`, whose errors are raised"""
    engine = make_engine(engine_name, weights, batch=batch, threads=1)
    torch.set_num_threads(1)
    pictures = np.random.default_rng(1).random((batch, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), dtype=np.float32)
    _, precision, *_, device = engine.name.split("-")
    pictures_at_once = batch if device == "cuda" else 1  # engines on the processor take one after the other
    work, kind = count_work(load_weights(weights).config), PRECISIONS[precision]
    bytes_per_number = torch.empty(0, dtype=kind).element_size()
    return NetworkCosts(
        engine=engine.name,
        batch=pictures_at_once,
        s_per_picture=_best_s(device, lambda: engine.run(pictures)) / batch,
        operations=work.operations,
        bytes_moved=work.bytes_per_picture(batch=pictures_at_once, bytes_per_number=bytes_per_number),
        operations_per_s=_product_rate(device, kind),
        bytes_per_s=_copy_rate(device),
    )


def _product_rate(device: str, kind: torch.dtype) -> float:
    side = PRODUCT_SIDE[device]
    left, right = (torch.rand(side, side, device=device).mul(100).to(kind) for _ in range(2))
    product = torch._int_mm if kind == torch.int8 else torch.matmul  # torch has no public one of 8 bits
    return 2 * side**3 / _best_s(device, lambda: product(left, right))


def _copy_rate(device: str) -> float:
    source = torch.ones(COPIED_BYTES[device], dtype=torch.uint8, device=device)
    target = torch.empty_like(source)
    return 2 * len(source) / _best_s(device, lambda: target.copy_(source))


def _best_s(device: str, work: Callable[[], Any]) -> float:
    """Seconds of one call, the shortest mean of some tries: of the processor, or on the clock until a GPU is done."""
    clock = time.process_time if device == "cpu" else time.perf_counter
    work()
    means = []
    for _ in range(TRIES):
        calls, start_s = 0, clock()
        while (spent_s := clock() - start_s) < SECONDS_PER_TRY or not calls:
            work()
            if device != "cpu":
                torch.cuda.synchronize()
            calls += 1
        means.append(spent_s / calls)
    return min(means)
