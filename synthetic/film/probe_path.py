"""The path of the scan plane through the tissue, which is what its pictures can show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.film.sweep import Sweep
from synthetic.film.tissue_motion import MOTION_DECAY_MM

__all__ = ["swept_path"]

Numbers = NDArray[np.float64]


def swept_path(sweep: Sweep, breath: Numbers, depth_mm: float) -> Numbers:
    """(T, 3) mm since the first frame: out of the plane, along the probe's face, and away from it.

    The path is that of the middle of the picture, at half its depth, relative to the tissue there, which moves with
    breath and pressure (tissue_motion). So two frames at the same place show the same. Each step from one frame to the
    next is measured along the mean of their axes.

    breath : (T, 3) mm
    """
    decay = np.exp(-0.5 * depth_mm / MOTION_DECAY_MM)
    push = sweep.pressure_mm[:, None] * sweep.downs
    middles = sweep.origins + 0.5 * depth_mm * sweep.downs - (breath + decay * (push - breath))
    axes = np.stack([np.cross(sweep.rights, sweep.downs), sweep.rights, sweep.downs], axis=1)  # (T, 3 axes, 3)
    steps = np.einsum("tai,ti->ta", (axes[1:] + axes[:-1]) / 2, np.diff(middles, axis=0))
    return np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
