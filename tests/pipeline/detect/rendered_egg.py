"""A rendered egg as a grey picture of a linear scanner whose screen shows 60 dB, with square pixels of 0.1 mm."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector import Sector
from tests.synthetic.acoustic_bench import Body, bodies, console, linear, offsets, render, tissue

WIDTH_MM, DEPTH_MM, MM_PER_PX = 40.0, 60.0, 0.1
SHOWN_DB = 60.0
GREY_PER_DB = 255 / SHOWN_DB
TISSUE_GREY = 110  # of average soft tissue
SOFT = {"echo_db": 0.0, "rim_db": -30.0, "rim_mm": 0.5}


@dataclass(frozen=True)
class Rendered:
    """picture : (600, 400) uint8;  sector : the whole picture;  ellipse : (5,) px;  loss_db : (600, 400) two-way"""

    picture: NDArray[np.uint8]
    sector: Sector
    ellipse: NDArray[np.float64]
    loss_db: NDArray[np.float64]


def rendered_egg(
    material: dict[str, float],
    *,
    semi_axes: tuple[float, float, float] = (9.0, 9.0, 7.0),
    depth_mm: float = 24.0,
    gain: float = 0.0,
    seed: int = 1,
) -> Rendered:
    """One egg in homogeneous tissue. gain : grey levels added before levels are limited to black and white"""
    body = Body((0.0, 0.0, depth_mm), semi_axes, SOFT | material)
    scanner = linear(1, depth_mm=DEPTH_MM, width_mm=WIDTH_MM, frequency_mhz=7.5)
    beams = render(bodies(1, body, noise_offset=offsets(1, seed)), scanner, console(1), tissue(seed), seed=seed)
    size = round(WIDTH_MM / MM_PER_PX), round(DEPTH_MM / MM_PER_PX)
    grey = (beams.echo_db[0].numpy().T * GREY_PER_DB + TISSUE_GREY + gain).clip(0, 255).astype(np.uint8)
    loss = cv2.resize(beams.loss_db[0].numpy().T, size)
    mask = np.ones(size[::-1], dtype=bool)
    # The probe's face is centred between the two middle pixels, and its edge is half a pixel above the first row.
    centre = [size[0] / 2 - 0.5, depth_mm / MM_PER_PX - 0.5]
    ellipse = np.array([*centre, semi_axes[0] / MM_PER_PX, semi_axes[2] / MM_PER_PX, 0.0])
    return Rendered(cv2.resize(grey, size), Sector("rectangle", mask, (0, 0, *size)), ellipse, loss)
