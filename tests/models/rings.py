"""Pictures of bright rings in speckle, without physics, similar enough to eggs to be detected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.targets import Labels, Role

__all__ = ["draw_rings", "ring_batches"]


def draw_rings(rows: Sequence[Sequence[float]], *, side_px: int, seed: int) -> NDArray[np.float32]:
    """(side, side) float32 in [0, 1]: speckled tissue with dark ellipses that have a bright rim and a shadow below."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:side_px, :side_px]
    brightness = np.full((side_px, side_px), 0.18)
    for cx, cy, a, b, degrees in rows:
        turn = np.deg2rad(degrees)
        along = ((x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)) / a
        across = ((y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)) / b
        from_rim = (np.hypot(along, across) - 1) * b
        brightness = np.where(from_rim < 0, 0.05, brightness) + 0.8 * np.exp(-((from_rim / 2) ** 2))
        brightness = np.where((y > cy + b) & (np.abs(x - cx) < 0.8 * a), 0.15 * brightness, brightness)
    speckle = np.hypot(*rng.normal(size=(2, side_px, side_px))) / 1.25
    return np.asarray(np.clip(brightness * speckle**0.6, 0, 1), dtype=np.float32)


def ring_batches(batch: int, *, side_px: int, seed: int) -> Iterator[tuple[Tensor, Labels]]:
    """Endless batches (B, 1, side, side) with one ring per picture, and labels; two batches alternate."""
    rng = np.random.default_rng(seed)
    batches = []
    for number in range(2):
        low, high = 0.3 * side_px, 0.7 * side_px
        rows = np.column_stack([rng.uniform(low, high, (batch, 2)), np.full(batch, 12.0), np.full(batch, 9.0)])
        rows = np.column_stack([rows, rng.uniform(-90, 90, batch)])
        pictures = [
            draw_rings([row], side_px=side_px, seed=1000 * number + index) for index, row in enumerate(rows.tolist())
        ]
        labels = Labels(
            torch.tensor(rows, dtype=torch.float32)[:, None],
            torch.full((batch, 1), 2),
            torch.full((batch, 1), Role.TARGET, dtype=torch.int64),
            torch.ones(batch, 1),
            torch.ones(batch),
        )
        batches.append((torch.from_numpy(np.stack(pictures)[:, None]), labels))
    while True:
        yield from batches
