"""A trained network of `torchvision_networks` as a method.

``clutchlight bench train-peer`` writes its weights; the method is
``pipeline.bench.peers.trained_network:find,weights=FILE``.
"""

from __future__ import annotations

from typing import Annotated, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.methods.method import SearchRange
from pipeline.detect.detector import InputTransform
from pipeline.ingest.sector.sector import Sector

__all__ = ["find"]


def find(
    frame: NDArray[np.uint8], *, weights: str = "", least_score: Annotated[float, SearchRange(0.0, 0.9)] = 0.05
) -> list[dict[str, Any]]:
    """What the network finds in the part of a frame that is not black, scaled as for ours.

    weights : file of the trained network;  least_score : of an outline. Raises MethodError if there is no such file.
    """
    from pipeline.bench.peers.torchvision_networks import found_outlines, load_peer

    name, network = load_peer(weights)
    left, top, width, height = cv2.boundingRect(frame)
    if width < 2 or height < 2:
        return []
    sector = Sector("rectangle", np.ones(frame.shape, np.bool_), (left, top, left + width, top + height))
    transform = InputTransform(sector)
    found = found_outlines(name, network, transform.image_to_input(frame))
    kept = [outline for outline in found if outline["score"] >= least_score]
    ellipses = transform.ellipses_to_frame(np.array([outline["ellipse"] for outline in kept]).reshape(-1, 5))
    return [{**outline, "ellipse": ellipse} for outline, ellipse in zip(kept, ellipses.tolist(), strict=True)]
