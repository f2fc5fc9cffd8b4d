"""Random settings for many machines at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import torch
from torch import Tensor

__all__ = ["Draws"]


@dataclass(frozen=True)
class Draws:
    """Draws one row for each of ``batch`` machines, on the generator's device.

    variation : (B,) or one number for all: the share of every range, around its middle, that is drawn from. Faults are
    rarer by the same factor. Below 1 it stands for machines that are set and held with care
    """

    batch: int
    generator: torch.Generator
    variation: Tensor | float = 1.0

    def _rand(self, *shape: int) -> Tensor:
        return torch.rand(self.batch, *shape, generator=self.generator, device=self.generator.device)

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """(B, *shape) between low and high."""
        middle, reach = (low + high) / 2, self._scale(len(shape)) * ((high - low) / 2)
        # In place: on a GPU the many small draws of a batch cost time by their number.
        return self._rand(*shape).mul_(2 * reach).add_(middle - reach)

    def normal(self, *shape: int) -> Tensor:
        """(B, *shape) normal values of mean 0, and of standard deviation 1 at full variation."""
        noise = torch.randn(self.batch, *shape, generator=self.generator, device=self.generator.device)
        return self._scale(len(shape)) * noise

    def _scale(self, dimensions: int) -> Tensor | float:
        """The variation, to be broadcast over ``dimensions`` more dimensions."""
        if isinstance(self.variation, Tensor):
            return self.variation.view(-1, *[1] * dimensions)
        return self.variation

    def chance(self, share: Tensor | float) -> Tensor:
        """(B,) bool, True in a share of the rows, whatever the variation."""
        return self._rand() < share

    def sometimes(self, share: Tensor | float, values: Tensor) -> Tensor:
        """The (B, ...) values in a share of the rows, 0 in the others: a setting that some machines have."""
        chosen = self.chance(share).view(-1, *[1] * (values.dim() - 1))
        return torch.where(chosen, values, 0.0)

    def occasional_fault(self, share: float, values: Tensor) -> Tensor:
        """Like ``sometimes``, for faults: careful users have fewer."""
        return self.sometimes(share * self.variation, values)

    def kind(self, *shares: float) -> Tensor:
        """(B,) numbers of kinds, counted from 0, in the given shares. The rest up to 1 goes to one more kind."""
        place = self._rand()
        number = torch.zeros(self.batch, dtype=torch.int64, device=place.device)
        for border in accumulate(shares):
            number = number + (place >= border)
        return number
