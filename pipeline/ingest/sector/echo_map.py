"""Where on the screen echoes are: what changes from frame to frame is echo, what never changes is not.

Echoes change as the probe moves. Rulers, text, grey bars and logos do not, and an empty screen neither changes nor is
bright. A still picture has only its brightness and grain to judge by.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.image_filters import disc_kernel, exceeds_half_local_mean, local_std, without_lines
from pipeline.ingest.sector.sector_evidence import SectorEvidence

__all__ = ["find_echoes", "is_black_screen"]


@dataclass(frozen=True)
class EchoThresholds:
    """Thresholds of echoes, in grey levels unless stated otherwise.

    level_above, texture_above and paint_std_below were chosen on generated pictures; the other values are common
    practice, no source.

    level_above : how far echoes rise above a black screen with a codec's noise on it
    texture_above : local standard deviation of echoes on any other screen
    texture_gap_px : diameter of the disc that closes gaps in texture
    texture_margin_px : diameter of the disc that then moves its edge in, because the window of the deviation already
    reaches an edge from two pixels away
    paint_std_below : local standard deviation of flat paint, which is never an echo
    black_screen_below : a brighter screen is a page or a window around the picture; then only texture counts
    paint_above : on such a screen, flat paint from this level on is a page or a window
    paint_weight : evidence of that paint, per pixel; unlike a shadow it speaks against a sector
    change_above : mean change from frame to frame of echoes; a codec's noise on a still screen is lower
    noise_factor : where that noise is higher, echoes change by this many times the noise of the screen
    min_changing_share : share of the lit pixels that must change for change to count; else the clip is frozen or a
    still
    min_flat_share : share of the picture without texture; if there is less, all of it is echo
    """

    level_above: float = 6.0
    texture_above: float = 3.0
    texture_gap_px: int = 5
    texture_margin_px: int = 4
    paint_std_below: float = 0.3
    black_screen_below: int = 30
    paint_above: float = 12.0
    paint_weight: float = -0.5
    change_above: float = 1.5
    noise_factor: float = 3.0
    min_changing_share: float = 0.4
    min_flat_share: float = 0.01


_ECHO = EchoThresholds()


def is_black_screen(level: int) -> bool:
    """Whether the grey level of an empty screen is a scanner's black, and not a page or a window."""
    return level < _ECHO.black_screen_below


def find_echoes(frames: NDArray[np.float32]) -> SectorEvidence:
    """The evidence for echoes in (F, H, W) frames of one clip, in grey levels."""
    mean = frames.mean(axis=0)
    texture = np.mean([local_std(frame) for frame in frames], axis=0)
    flat = texture < _ECHO.texture_above / 2
    zeros = np.zeros(flat.shape, np.float32)
    if flat.mean() < _ECHO.min_flat_share:
        return SectorEvidence(zeros + 1, zeros, zeros)
    screen = int(np.bincount(mean[flat].astype(np.int64), minlength=256).argmax())
    lit = _find_lit(mean, texture, screen)
    painted = (not is_black_screen(screen)) & (texture < _ECHO.paint_std_below) & (mean > _ECHO.paint_above)
    if len(frames) > 1:
        change = np.abs(np.diff(frames, axis=0)).mean(axis=0)
        noise = float(np.median(change[~lit])) if not lit.all() else 0.0
        changing = exceeds_half_local_mean(change, change > max(_ECHO.change_above, _ECHO.noise_factor * noise))
        if np.count_nonzero(changing & lit) > _ECHO.min_changing_share * np.count_nonzero(lit):
            return _evidence(changing, zeros, ~(changing | lit), painted)
    grainy = _connected_to(lit, (without_lines(lit) > 0) & lit)
    return _evidence(grainy, (lit & ~grainy).astype(np.float32), ~lit, painted)


def _evidence(
    echo: NDArray[np.bool_], line: NDArray[np.float32], dark: NDArray[np.bool_], painted: NDArray[np.bool_]
) -> SectorEvidence:
    weights = np.where(echo, np.float32(1), np.where(painted & dark, np.float32(_ECHO.paint_weight), np.float32(0)))
    return SectorEvidence(weights, line, dark.astype(np.float32))


def _find_lit(mean: NDArray[np.float32], texture: NDArray[np.float32], screen: int) -> NDArray[np.bool_]:
    """(H, W) where the picture is not empty screen. screen : grey level of the empty screen"""
    if is_black_screen(screen):
        above = (mean > screen + _ECHO.level_above) & (texture > _ECHO.paint_std_below)
        return exceeds_half_local_mean(mean - np.float32(screen), above)
    textured = (texture > _ECHO.texture_above).astype(np.uint8)
    closed = cv2.morphologyEx(textured, cv2.MORPH_CLOSE, disc_kernel(_ECHO.texture_gap_px))
    return np.asarray(cv2.erode(closed, disc_kernel(_ECHO.texture_margin_px)) > 0)


def _connected_to(lit: NDArray[np.bool_], grainy: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What is lit and connected to ``grainy``: a strip between two shadows begins where more is lit."""
    _, labels = cv2.connectedComponents(lit.astype(np.uint8), connectivity=8)
    holds_grain = np.bincount(labels[grainy], minlength=int(labels.max()) + 1) > 0
    return np.asarray(lit & holds_grain[labels])
