"""How much each part of the screen speaks for echoes: what lives from frame to frame against what never does.

Echoes change as the probe moves; rulers, words, bars and emblems do not, and an empty screen neither changes nor
shines. One still picture has only brightness and grain to tell by.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector_evidence import SectorEvidence

__all__ = ["disc_kernel", "exceeds_half_local_mean", "find_echoes", "local_std"]

# In grey levels, chosen on generated pictures: how far echoes rise above a black screen with a codec's noise
# on it, their local standard deviation on any other screen, and that of flat paint, which is no echo at all.
LEVEL_ABOVE = 6.0
TEXTURE_ABOVE = 3.0
PAINT_STD_BELOW = 0.3
# A screen brighter than this is a page or a window around the picture; then texture alone tells.
BLACK_SCREEN_BELOW = 30
# On such a screen flat paint from here on, in grey levels, is a page or a window, and speaks against a sector as
# shadows do not.
PAINT_ABOVE, PAINT_EVIDENCE = 12.0, -0.5
# Mean change from frame to frame, in grey levels, of what lives; a codec's noise on a still screen is less, and where
# it is not, this many times the screen's own.
CHANGE_ABOVE, NOISE_FACTOR = 1.5, 3.0
# px: how far around a pixel its neighbours reach. As strong as the half of them means that it lies half inside.
NEIGHBOURHOOD_PX, HALF_STRENGTH = 7, 0.5
# Share of what is lit that must live for change to be believed; else the clip is frozen or a still.
MIN_CHANGING_SHARE = 0.4
# Shares of the longer side: speckle's gaps are closed up to the first, text and lines are opened up to the second.
GAP_SHARE, LINE_SHARE = 0.0125, 0.025


def find_echoes(frames: NDArray[np.float32]) -> SectorEvidence:
    """What (F, H, W) frames of one clip show of echoes."""
    mean = frames.mean(axis=0)
    texture = np.mean([local_std(frame) for frame in frames], axis=0)
    flat = texture < TEXTURE_ABOVE / 2
    nothing = np.zeros(flat.shape, np.float32)
    if flat.mean() < 0.01:
        return SectorEvidence(nothing + 1, nothing, nothing)
    screen = int(np.bincount(mean[flat].astype(np.int64), minlength=256).argmax())
    lit = _lit(mean, texture, screen)
    painted = (screen >= BLACK_SCREEN_BELOW) & (texture < PAINT_STD_BELOW) & (mean > PAINT_ABOVE)
    if len(frames) > 1:
        change = np.abs(np.diff(frames, axis=0)).mean(axis=0)
        noise = float(np.median(change[~lit])) if not lit.all() else 0.0
        living = exceeds_half_local_mean(change, change > max(CHANGE_ABOVE, NOISE_FACTOR * noise))
        if np.count_nonzero(living & lit) > MIN_CHANGING_SHARE * np.count_nonzero(lit):
            return _evidence(living, nothing, ~(living | lit), painted)
    grainy = _joined(lit, _without_lines(lit) & lit)
    return _evidence(grainy, (lit & ~grainy).astype(np.float32), ~lit, painted)


def _evidence(
    echo: NDArray[np.bool_], line: NDArray[np.float32], dark: NDArray[np.bool_], painted: NDArray[np.bool_]
) -> SectorEvidence:
    weights = np.where(echo, np.float32(1), np.where(painted & dark, np.float32(PAINT_EVIDENCE), np.float32(0)))
    return SectorEvidence(weights, line, dark.astype(np.float32))


def _lit(mean: NDArray[np.float32], texture: NDArray[np.float32], screen: int) -> NDArray[np.bool_]:
    if screen < BLACK_SCREEN_BELOW:
        return exceeds_half_local_mean(
            mean - np.float32(screen), (mean > screen + LEVEL_ABOVE) & (texture > PAINT_STD_BELOW)
        )
    # The deviation's window takes in an edge that lies two pixels away.
    textured = (texture > TEXTURE_ABOVE).astype(np.uint8)
    return np.asarray(cv2.erode(cv2.morphologyEx(textured, cv2.MORPH_CLOSE, disc_kernel(5)), disc_kernel(4)) > 0)


def exceeds_half_local_mean(strength: NDArray[np.float32], above: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of what is ``above`` a threshold, what is at least half as strong as its neighbours.

    A pixel that the border of the sector crosses is lit in proportion to what of it lies inside.
    """
    within = above.astype(np.float32)
    around = cv2.blur(strength * within, (NEIGHBOURHOOD_PX, NEIGHBOURHOOD_PX))
    return np.asarray(
        above & (strength * cv2.blur(within, (NEIGHBOURHOOD_PX, NEIGHBOURHOOD_PX)) > HALF_STRENGTH * around)
    )


def local_std(frame: NDArray[np.float32]) -> NDArray[np.float32]:
    """(H, W) standard deviation of (H, W) grey levels within two pixels of each."""
    mean = cv2.blur(frame, (5, 5))
    return np.asarray(np.sqrt(np.maximum(cv2.blur(frame * frame, (5, 5)) - mean * mean, 0.0)))


def _without_lines(lit: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What is lit and more than text and lines."""
    side = max(lit.shape)
    margin = side // 10
    within = np.s_[margin:-margin, margin:-margin]
    # Closing must not take the picture's border for echoes; opening must not round a corner that it cuts off.
    closed = cv2.morphologyEx(np.pad(lit.astype(np.uint8), margin), cv2.MORPH_CLOSE, disc_kernel(GAP_SHARE * side))[
        within
    ]
    opened = cv2.morphologyEx(np.pad(closed, margin, mode="edge"), cv2.MORPH_OPEN, disc_kernel(LINE_SHARE * side))[
        within
    ]
    return np.asarray(opened > 0)


def _joined(lit: NDArray[np.bool_], grainy: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What is lit and hangs together with what is ``grainy``: a strip between two shadows begins where more is lit."""
    _, labels = cv2.connectedComponents(lit.astype(np.uint8), connectivity=8)
    holds = np.bincount(labels[grainy], minlength=int(labels.max()) + 1) > 0
    return np.asarray(lit & holds[labels])


def disc_kernel(diameter: float) -> NDArray[np.uint8]:
    """A disc for `cv2.morphologyEx`, as wide as an odd number of pixels near ``diameter``."""
    odd = 2 * round(diameter / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (odd, odd)), dtype=np.uint8)
