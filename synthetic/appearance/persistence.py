"""Persistence: how much of the frames before a machine still shows."""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["Persistence"]


class Persistence:
    """What is left on the screen of one machine. share : of the picture shown before, in each new one; 0 to below 1.

    A running mean, so that a picture k frames old keeps a weight of (1 - share) share^k, and what is shown lags by
    share / (1 - share) frames in the mean.
    """

    def __init__(self, share: float) -> None:
        self._share = share
        self._shown: Tensor | None = None

    def show(self, grey: Tensor) -> Tensor:
        """(T, L, S) the next frames of a clip, in order, as they are shown."""
        if not self._share:
            return grey
        shown = []
        for frame in grey:
            self._shown = frame if self._shown is None else torch.lerp(frame, self._shown, self._share)
            shown.append(self._shown)
        return torch.stack(shown)
