"""Labels of a centre whose pictures look unlike phantoms: bright ellipses on noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.training.labelled_pictures import FrameLabels, LabelledPictures

__all__ = ["SIDE", "drawn", "own_labels"]

SIDE = 256  # px


def drawn(ellipses: NDArray[np.float64]) -> NDArray[np.uint8]:
    """(N, 5) ellipses -> (S, S), bright inside."""
    y, x = np.mgrid[:SIDE, :SIDE]
    picture = np.zeros((SIDE, SIDE), np.uint8)
    for cx, cy, a, b, degrees in ellipses:
        turn = np.radians(degrees)
        along = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        across = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
        picture[(along / a) ** 2 + (across / b) ** 2 <= 1] = 200
    return picture


def own_labels(*, animals: int, frames: int, empty: int = 0) -> LabelledPictures:
    """``frames`` frames of each animal, with 1 to 3 calcified eggs each, depending on the animal; then animals without
    eggs.
    """
    rng = np.random.default_rng(9)
    pictures, frame_labels = [], []
    for animal in range(animals + empty):
        for _ in range(frames):
            number = animal % 3 + 1 if animal < animals else 0
            centres_x = rng.choice(3, number, replace=False)[:, None] * 80.0 + 48 + rng.uniform(-8, 8, (number, 1))
            axes = np.sort(rng.uniform(14, 26, (number, 2)))[:, ::-1]
            rows = np.hstack([centres_x, rng.uniform(40, 216, (number, 1)), axes, rng.uniform(-90, 90, (number, 1))])
            pictures.append(np.maximum(drawn(rows), rng.integers(0, 60, (SIDE, SIDE)).astype(np.uint8)))
            frame_labels.append(FrameLabels(f"OWN-{animal}", rows, np.full(number, 2), np.zeros(number, bool), 0.4))
    return LabelledPictures(np.stack(pictures), tuple(frame_labels), "0" * 64)
