"""How much each part of the screen speaks for echoes: what lives from frame to frame against what never does.

Echoes change as the probe moves; rulers, words, bars and emblems do not, and an empty screen neither changes nor
shines. One still picture has only brightness and grain to tell by.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DARK", "echo_weights", "unlit_costs"]

# In grey levels, chosen on generated pictures: how far echoes rise above a black screen with a codec's noise
# on it, their local standard deviation on any other screen, and that of flat paint, which is no echo at all.
LEVEL_ABOVE = 6.0
TEXTURE_ABOVE = 3.0
PAINTED_BELOW = 0.3
# A screen brighter than this is a page or a window around the picture; then texture alone tells.
BLACK_SCREEN_BELOW = 30
# On such a screen flat paint from here on, in grey levels, is a page or a window, and speaks against a sector as
# shadows do not.
PAINT_ABOVE, PAINT = 12.0, -0.5
# Mean change from frame to frame, in grey levels, of what lives; a codec's noise on a still screen is less, and where
# it is not, this many times the screen's own.
CHANGE_ABOVE, NOISES_ABOVE = 1.5, 3.0
# px: how far around a pixel its neighbours reach. As strong as the half of them means that it lies half inside.
NEIGHBOURS, HALF = 7, 0.5
# Share of what is lit that must live for change to be believed; else the clip is frozen or a still.
LIVING_SHARE = 0.4
# An echo weighs 1. Darkness weighs little against a sector, since shadows, cysts and fading are dark too.
DARK = -0.15
DARK_IN_A_STILL = -0.05
# What a pixel costs a sector that is dark before the first echo of its beam; the beams and depths that are told apart.
UNLIT_COSTS = 0.5
BEAMS, DEPTHS = 40, 60
# Shares of the longer side: speckle's gaps are closed up to the first, text and lines are opened up to the second.
LINES = 0.6
GAP, LINE = 0.0125, 0.025


def echo_weights(frames: NDArray[np.float32]) -> NDArray[np.float32]:
    """(F, H, W) frames of one clip -> (H, W): 1 for echoes, 0 for what may be either, DARK for empty screen."""
    mean = frames.mean(axis=0)
    texture = np.mean([_local_deviation(frame) for frame in frames], axis=0)
    flat = texture < TEXTURE_ABOVE / 2
    if flat.mean() < 0.01:
        return np.ones(flat.shape, dtype=np.float32)
    screen = int(np.bincount(mean[flat].astype(np.int64), minlength=256).argmax())
    lit = _lit(mean, texture, screen)
    painted = (screen >= BLACK_SCREEN_BELOW) & (texture < PAINTED_BELOW) & (mean > PAINT_ABOVE)
    paint = np.where(painted, PAINT, 0.0).astype(np.float32)
    if len(frames) > 1:
        change = np.abs(np.diff(frames, axis=0)).mean(axis=0)
        noise = float(np.median(change[~lit])) if not lit.all() else 0.0
        living = _half(change, change > max(CHANGE_ABOVE, NOISES_ABOVE * noise))
        if np.count_nonzero(living & lit) > LIVING_SHARE * np.count_nonzero(lit):
            return np.where(living, 1.0, np.where(lit, 0.0, np.minimum(DARK, paint))).astype(np.float32)
    grainy = _without_lines(lit)
    return np.where(grainy & lit, 1.0, np.where(lit, LINES, np.minimum(DARK_IN_A_STILL, paint))).astype(np.float32)


def unlit_costs(weights: NDArray[np.float32], across: NDArray[np.float32], depth: NDArray[np.float32]) -> float:
    """What speaks against a sector whose beams are dark before they are lit, in the weights' own unit.

    Sound that meets nothing near the face of the probe meets nothing deeper either: shadows lie below.

    across, depth : (H, W), where a pixel lies over the sector's breadth and depth, 0 to 1 within
    """
    inside = (across >= 0) & (across < 1) & (depth >= 0) & (depth < 1)
    cell = (across[inside] * BEAMS).astype(np.int64) * DEPTHS + (depth[inside] * DEPTHS).astype(np.int64)
    area = np.bincount(cell, minlength=BEAMS * DEPTHS).reshape(BEAMS, DEPTHS)
    lit = np.bincount(cell, weights[inside] >= 0, BEAMS * DEPTHS).reshape(BEAMS, DEPTHS) > 0.3 * area
    before = ~np.logical_or.accumulate(lit, axis=1) & np.any(lit, axis=1, keepdims=True)
    return UNLIT_COSTS * float((area * before).sum())


def _lit(mean: NDArray[np.float32], texture: NDArray[np.float32], screen: int) -> NDArray[np.bool_]:
    if screen < BLACK_SCREEN_BELOW:
        return _half(mean - np.float32(screen), (mean > screen + LEVEL_ABOVE) & (texture > PAINTED_BELOW))
    # The deviation's window takes in an edge that lies two pixels away.
    textured = (texture > TEXTURE_ABOVE).astype(np.uint8)
    return np.asarray(cv2.erode(cv2.morphologyEx(textured, cv2.MORPH_CLOSE, _disc(5)), _disc(4)) > 0)


def _half(strength: NDArray[np.float32], above: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of what is ``above`` a threshold, what is at least half as strong as its neighbours.

    A pixel that the border of the sector crosses is lit in proportion to what of it lies inside.
    """
    within = above.astype(np.float32)
    around = cv2.blur(strength * within, (NEIGHBOURS, NEIGHBOURS))
    return np.asarray(above & (strength * cv2.blur(within, (NEIGHBOURS, NEIGHBOURS)) > HALF * around))


def _local_deviation(frame: NDArray[np.float32]) -> NDArray[np.float32]:
    mean = cv2.blur(frame, (5, 5))
    return np.asarray(np.sqrt(np.maximum(cv2.blur(frame * frame, (5, 5)) - mean * mean, 0.0)))


def _without_lines(lit: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What is lit and more than text and lines."""
    side = max(lit.shape)
    margin = side // 10
    within = np.s_[margin:-margin, margin:-margin]
    # Closing must not take the picture's border for echoes; opening must not round a corner that it cuts off.
    closed = cv2.morphologyEx(np.pad(lit.astype(np.uint8), margin), cv2.MORPH_CLOSE, _disc(GAP * side))[within]
    opened = cv2.morphologyEx(np.pad(closed, margin, mode="edge"), cv2.MORPH_OPEN, _disc(LINE * side))[within]
    return np.asarray(opened > 0)


def _disc(diameter: float) -> NDArray[np.uint8]:
    odd = 2 * round(diameter / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (odd, odd)), dtype=np.uint8)
