"""What scanners draw in colour over grey echoes: flow in its box, tinted greys, text, callipers and bars."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["encode_colour_video", "tinted", "with_colour_bar", "with_flow", "with_marks"]

Rgb = NDArray[np.uint8]


def grey_to_rgb(grey: NDArray[np.uint8]) -> Rgb:
    """(H, W) to (H, W, 3)."""
    return np.repeat(grey[..., None], 3, axis=2)


def with_flow(
    rgb: Rgb, sector: NDArray[np.bool_], rng: np.random.Generator, *, share: float, power: bool = False
) -> Rgb:
    """Flow in a box around the middle of ``sector`` (H, W).

    Towards the probe it is dark red to yellow, away from it dark blue to cyan; in power Doppler it is dark red to
    yellow in both directions.

    share : about how much of the sector the flow covers
    """
    height, width = sector.shape
    rows, columns = np.nonzero(sector)
    middle = int(columns.mean()), int(rows.mean())
    half = int(0.3 * np.ptp(columns)), int(0.3 * np.ptp(rows))
    box = np.zeros_like(sector)
    box[middle[1] - half[1] : middle[1] + half[1], middle[0] - half[0] : middle[0] + half[0]] = True
    speed = cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), width / 40)
    inside = box & sector
    # The share of the sector gives the slowest flow that is shown. The fastest flow has full colour.
    least, most = np.quantile(np.abs(speed[inside]), [1 - min(1.0, share * sector.sum() / inside.sum()), 1.0])
    flows = inside & (np.abs(speed) > least)
    strength = np.clip((np.abs(speed) - least) / (most - least), 0, 1)
    towards = np.stack([90 + 165 * strength, 240 * strength**2, 0 * strength], axis=2)
    coloured = towards if power else np.where(speed[..., None] > 0, towards, towards[..., ::-1])
    shown = rgb.copy()
    shown[flows] = coloured[flows].astype(np.uint8)
    corners = (middle[0] - half[0], middle[1] - half[1]), (middle[0] + half[0], middle[1] + half[1])
    cv2.rectangle(shown, *corners, (230, 230, 60), 1)
    return shown


def tinted(grey: NDArray[np.uint8], tint: str) -> Rgb:
    """Greys in another colour.

    tint : "sepia", "blue", or "glow", which runs from black through red and yellow to white
    """
    level = grey.astype(np.float32)[..., None] / 255
    if tint == "glow":
        shown = np.clip(level * 3 - np.array([0.0, 1.0, 2.0]), 0, 1)
    else:
        shown = level * {"sepia": np.array([1.0, 0.89, 0.71]), "blue": np.array([0.72, 0.87, 1.0])}[tint]
    return np.asarray(255 * shown, np.uint8)


def with_marks(rgb: Rgb, sector: NDArray[np.bool_]) -> Rgb:
    """Coloured marks on the echoes: text, a dotted line between crosses, puncture guide lines and a green box."""
    shown = rgb.copy()
    rows, columns = np.nonzero(sector)
    x, y = int(columns.mean()), int(rows.mean())
    reach = int(0.2 * np.ptp(rows))
    for line, text in enumerate(("LEFT WINDOW", "egg 3 ? 31.2 mm", "AF-0412")):
        place = x - reach, y + 24 * line
        cv2.putText(shown, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.6, (255, 230, 0), 1, cv2.LINE_AA)
    for along in range(-reach, reach, 6):
        cv2.circle(shown, (x + along, y - 30), 1, (0, 255, 0), -1)
    for end in (-reach, reach):
        cv2.drawMarker(shown, (x + end, y - 30), (0, 255, 0), cv2.MARKER_CROSS, 12, 1)
        cv2.line(shown, (x + end, y - reach), (x, y + reach), (255, 120, 0), 1)
    cv2.rectangle(shown, (x - reach, y - reach), (x + reach, y + reach), (60, 230, 60), 1)
    return shown


def with_colour_bar(rgb: Rgb) -> Rgb:
    """The colour bar next to the echoes, and a coloured logo in the corner."""
    shown = rgb.copy()
    height, width = rgb.shape[:2]
    for row in range(height // 4):
        share = row / (height // 4)
        shown[height // 8 + row, width - 24 : width - 8] = (255 * (1 - share), 80, 255 * share)
    cv2.circle(shown, (width - 30, height - 30), 14, (0, 90, 255), -1)
    return shown


def encode_colour_video(
    path: Path, frames: list[Rgb], codec: str = "libx264", pixels: str = "yuv420p", **options: str
) -> Path:
    """Writes (H, W, 3) frames as a video at 25 frames per second."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(codec, rate=25)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = pixels
        stream.options = options
        for index, rgb in enumerate(frames):
            picture = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            picture.pts, picture.time_base = index, Fraction(1, 25)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    return path
