"""The border of an object, measured all round: whether a wall runs along it, and whether it is a border at all.

A follicle is a ball without a wall: the picture steps from its inside to what lies around it. A shelled egg has a wall,
a line brighter than both sides. A patch of tissue has neither: its level fades here and there. Each direction from the
centre is compared with itself, so that gain and depth gain cancel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.order_statistics import medians, quantile

__all__ = ["BorderSigns", "measure_border"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class _Border:
    """Where the border is read. All values are common practice, no source.

    Radii count from the centre of the outline, 1 being the outline itself.
    """

    directions: int = 12
    rays: int = 4  # of each direction, averaged first, because on a single one bright speckle looks like a wall
    radii: tuple[float, float, int] = (0.5, 1.5, 41)  # first, last and number of the radii that are sampled
    inner: tuple[float, float] = (0.55, 0.82)
    wall: tuple[float, float] = (0.88, 1.12)  # outlines are never exact
    outer: tuple[float, float] = (1.18, 1.45)
    minimum_share: float = 0.5  # of the directions must be visible
    quantile: float = 0.25  # of the directions: what is seen all round is seen in the worst of them, or nearly


_BORDER = _Border()
_RADII = np.linspace(*_BORDER.radii)
_ANGLES = np.linspace(0.0, 2 * np.pi, _BORDER.directions * _BORDER.rays, endpoint=False)


@dataclass(frozen=True)
class BorderSigns:
    """Grey levels that three of four directions from the centre reach; NaN where too little is visible.

    wall : the wall, brighter than the inside and than what lies around;  step : from the inside to what lies around, in
    the sense, brighter or darker, in which most directions step
    """

    wall: float
    step: float


def measure_border(ellipse: Floats, sample: Callable[[Floats, Floats], tuple[Floats, Mask]]) -> BorderSigns:
    """The border of one outline (5,).

    sample : gives the grey levels at points x, y (two arrays), and whether each of them is visible
    """
    tilt = np.deg2rad(ellipse[4])
    along, across = ellipse[2] * np.cos(_ANGLES)[:, None] * _RADII, ellipse[3] * np.sin(_ANGLES)[:, None] * _RADII
    levels, visible = sample(
        ellipse[0] + along * np.cos(tilt) - across * np.sin(tilt),
        ellipse[1] + along * np.sin(tilt) + across * np.cos(tilt),
    )
    shape = _BORDER.directions, _BORDER.rays, len(_RADII)
    profiles = levels.reshape(shape).mean(1)[visible.reshape(shape).all((1, 2))]
    if len(profiles) < _BORDER.minimum_share * _BORDER.directions:
        return BorderSigns(np.nan, np.nan)
    inside, outside = (medians(profiles[:, _between(*radii)]) for radii in (_BORDER.inner, _BORDER.outer))
    wall = profiles[:, _between(*_BORDER.wall)].max(1) - np.maximum(inside, outside)
    step = (inside - outside) * np.sign(medians(inside - outside))
    return BorderSigns(quantile(wall, _BORDER.quantile), quantile(step, _BORDER.quantile))


def _between(low: float, high: float) -> Mask:
    """Which of the sampled radii lie in a range, its ends included."""
    return np.asarray(np.abs(_RADII - (low + high) / 2) <= (high - low) / 2)
