"""Persistence: how much of earlier frames a machine still shows."""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["Persistence"]


class Persistence:
    """The running mean that one machine shows of a clip's frames.

    share : of the picture shown before, in each new one; from 0 to below 1
    A frame that is k frames old keeps a weight of (1 - share) share^k. On average the picture lags by
    share / (1 - share) frames.
    """

    def __init__(self, share: float) -> None:
        self._share = share
        self._shown: Tensor | None = None

    def show(self, grey: Tensor) -> Tensor:
        """The next frames (T, L, S) of the clip, in order, as they are shown."""
        if not self._share:
            return grey
        shown = []
        for frame in grey:
            self._shown = frame if self._shown is None else torch.lerp(frame, self._shown, self._share)
            shown.append(self._shown)
        return torch.stack(shown)
