"""Levels in dB and amplitudes."""

from __future__ import annotations

import math

import torch
from torch import Tensor

__all__ = ["amplitude_from_db"]


def amplitude_from_db(level: Tensor) -> Tensor:
    """Amplitude of a level in dB."""
    return torch.exp(level * (math.log(10) / 20))
