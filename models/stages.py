"""The stages that the network tells apart, in the one order that all arrays of stage probabilities follow."""

from __future__ import annotations

from typing import Literal, get_args

__all__ = ["STAGES", "Stage"]

Stage = Literal["follicle", "thin-shelled", "calcified"]

STAGES: tuple[Stage, Stage, Stage] = get_args(Stage)
"""In order of growth: no shell, a shell begun, a full shell."""
