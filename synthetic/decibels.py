"""Levels in dB, and the amplitudes and powers that they stand for.

Speed matters here: exp is several times as fast as 10 to the power of something.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

__all__ = ["DB_PER_NEPER", "amplitude_from_db", "db_from_amplitude", "db_from_power", "power_from_db"]

DB_PER_NEPER = 20 / math.log(10)


def amplitude_from_db(level_db: Tensor) -> Tensor:
    return torch.exp(level_db * (math.log(10) / 20))


def power_from_db(level_db: Tensor) -> Tensor:
    return torch.exp(level_db * (math.log(10) / 10))


def db_from_amplitude(amplitude: Tensor) -> Tensor:
    return 20 * torch.log10(amplitude)


def db_from_power(power: Tensor) -> Tensor:
    return 10 * torch.log10(power)
