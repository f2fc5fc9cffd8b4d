"""The way of a scan plane through the body, as its pictures can tell it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.film.hand import Sweep
from synthetic.film.tissue_motion import MOTION_DECAY_MM

__all__ = ["swept_path"]

Numbers = NDArray[np.float64]


def swept_path(sweep: Sweep, breath: Numbers, depth_mm: float) -> Numbers:
    """(T, 3) mm since the first frame: out of the plane, along the face, and away from it.

    Of the picture's middle, at half its depth, and against the tissue there, which breath and pressure move as
    `motion` says: two frames at one place show the same. From each frame to the next it is told along their mean axes.

    breath : (T, 3) mm
    """
    fading = np.exp(-0.5 * depth_mm / MOTION_DECAY_MM)
    push = sweep.pressure_mm[:, None] * sweep.downs
    middles = sweep.origins + 0.5 * depth_mm * sweep.downs - (breath + fading * (push - breath))
    axes = np.stack([np.cross(sweep.rights, sweep.downs), sweep.rights, sweep.downs], axis=1)  # (T, 3 axes, 3)
    steps = np.einsum("tai,ti->ta", (axes[1:] + axes[:-1]) / 2, np.diff(middles, axis=0))
    return np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
