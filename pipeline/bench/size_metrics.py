"""Whether the told lengths and widths of whole eggs are right, and whether their stated doubt is honest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.matched_eggs import SeenEgg

__all__ = ["SizeFigures", "size_figures"]

NEAR_MIDDLE = 0.9  # a section as wide as this share of its egg passes 0.44 of the way from the middle to the pole


@dataclass(frozen=True)
class SizeFigures:
    """eggs : crossed near their middle by some section, and measured;  the others None if there is none

    *_error_mm : median absolute error;  *_bias_mm : mean error;  *_held : share of true values in the stated 90 % range
    shape_named : share of these whose shape was told;  shape_right : of those, share of right ones: oval from 1.22
    """

    eggs: int
    length_error_mm: float | None
    length_bias_mm: float | None
    length_held: float | None
    width_error_mm: float | None
    width_bias_mm: float | None
    width_held: float | None
    shape_named: float | None
    shape_right: float | None


OVAL = 1.22


def size_figures(eggs: Sequence[SeenEgg]) -> SizeFigures:
    """Of eggs and follicles alike."""
    known = [
        egg
        for egg in eggs
        if egg.width_mm is not None and egg.told["width_mm"] is not None and egg.widest_mm >= NEAR_MIDDLE * egg.width_mm
    ]
    if not known:
        return SizeFigures(0, *[None] * 8)
    true = np.array([[egg.length_mm, egg.width_mm] for egg in known])
    told = np.array([[egg.told["length_mm"], egg.told["width_mm"]] for egg in known])
    ranges = np.array([[egg.told["length_interval90_mm"], egg.told["width_interval90_mm"]] for egg in known])
    held = ((ranges[:, :, 0] <= true) & (true <= ranges[:, :, 1])).mean(0)
    median, bias = np.median(np.abs(told - true), axis=0), (told - true).mean(0)
    named = [(egg.told["shape"] == "oval", is_oval) for egg, is_oval in _ovals(known) if egg.told["shape"] in SHAPES]
    return SizeFigures(
        eggs=len(known),
        length_error_mm=float(median[0]),
        length_bias_mm=float(bias[0]),
        length_held=float(held[0]),
        width_error_mm=float(median[1]),
        width_bias_mm=float(bias[1]),
        width_held=float(held[1]),
        shape_named=len(named) / len(known),
        shape_right=sum(said == is_oval for said, is_oval in named) / len(named) if named else None,
    )


SHAPES = ("round", "oval")


def _ovals(eggs: Sequence[SeenEgg]) -> list[tuple[SeenEgg, bool]]:
    return [(egg, (egg.length_mm or 0.0) >= OVAL * (egg.width_mm or 1.0)) for egg in eggs]
