"""A trained network of `networks` as a method.

``clutchlight bench train-peer`` writes its weights; the method is
``pipeline.bench.peers.trained_network:find,weights=FILE``.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.methods.method import MethodError, Origin, SearchRange
from pipeline.bench.peers.training_notes import learned_from_notes
from pipeline.detect.detector import InputTransform
from pipeline.ingest.sector.sector import Sector

__all__ = ["find", "origin"]

_MOST_ANSWERS = 1000  # more than the frames on which methods are tuned

_answers: dict[tuple[str, str, bytes], list[dict[str, Any]]] = {}


def find(
    frame: NDArray[np.uint8],
    *,
    weights: str = "",
    device: str = "",
    least_score: Annotated[float, SearchRange(0.0, 0.9)] = 0.05,
) -> list[dict[str, Any]]:
    """What the network finds in the part of a frame that is not black, scaled as for ours.

    weights : file of the trained network;  device : cpu or cuda; empty for a GPU if there is one
    least_score : of an outline

    Raises MethodError if there is no such file, or no such device.
    """
    left, top, width, height = cv2.boundingRect(frame)
    if width < 2 or height < 2:
        return []
    sector = Sector("rectangle", np.ones(frame.shape, np.bool_), (left, top, left + width, top + height))
    transform = InputTransform(sector)
    found = _answer(weights, device, transform.image_to_input(frame))
    kept = [outline for outline in found if outline["score"] >= least_score]
    ellipses = transform.ellipses_to_frame(np.array([outline["ellipse"] for outline in kept]).reshape(-1, 5))
    return [{**outline, "ellipse": ellipse} for outline, ellipse in zip(kept, ellipses.tolist(), strict=True)]


def origin(*, weights: str = "", **_: object) -> Origin:
    """The name of the weights file, and what it says of its training. Raises MethodError if there is no such file."""
    try:
        return Origin(Path(weights).stem, learned_from_notes(Path(weights)))
    except Exception as error:  # safetensors raises many kinds
        raise MethodError(
            f"{weights or 'No file'} holds no weights ({error!r}). Name a file: ,weights=FILE."
        ) from error


def _answer(weights: str, device: str, picture: NDArray[np.float32]) -> list[dict[str, Any]]:
    """What the network finds in its input. The last answers are kept, since tuning asks for the same ones again."""
    from pipeline.bench.peers.networks import load_network

    _, network = load_network(weights, device)
    key = (weights, device, hashlib.blake2b(picture.tobytes()).digest())
    if key not in _answers:
        if len(_answers) >= _MOST_ANSWERS:
            _answers.clear()
        _answers[key] = network(picture)
    return _answers[key]
