"""Motions of a probe whose course and turns are known, and what perfect or imperfect pictures show of them."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.track.frame_likeness import FrameLikeness
from pipeline.track.probe_course import ProbeCourse, ProbeTurn

__all__ = ["HEIGHT", "WIDTH", "course_along", "likeness_along", "path", "pictures_at", "turning_frames"]

Floats = NDArray[np.float64]

HEIGHT, WIDTH = 96, 128
LAYER_SPACING = 12.0  # positions after which a picture has changed completely


def path(*corners: tuple[int, float]) -> Floats:
    """Positions of a probe that is at each of (frame, position) and moves evenly between them."""
    frames, positions = np.array(corners, float).T
    return np.interp(np.arange(frames[-1] + 1), frames, positions)


def turning_frames(positions: Floats) -> list[float]:
    """Where positions change between rising and falling; in the middle of a rest."""
    moving = np.flatnonzero(np.diff(positions))
    signs = np.sign(np.diff(positions)[moving])
    return [float(moving[k] + 1 + moving[k + 1]) / 2 for k in np.flatnonzero(signs[1:] != signs[:-1])]


def course_along(
    positions: Floats,
    *,
    probability: float = 1.0,
    in_plane_degrees: Floats | None = None,
    face_xy: tuple[float, float] = (0.0, 0.0),
    upside_down: bool = False,
) -> ProbeCourse:
    """The course of a probe at these positions, one for each frame, with certain turns where the direction changes."""
    away = positions - positions[0]
    first_step = away[np.flatnonzero(away)[:1]]
    return ProbeCourse(
        np.arange(len(positions)),
        away * np.sign(first_step.sum() or 1.0),
        np.zeros(len(positions)) if in_plane_degrees is None else in_plane_degrees,
        tuple(ProbeTurn(frame, 1.0) for frame in turning_frames(positions)),
        probability,
        face_xy,
        upside_down,
    )


def likeness_along(positions: Floats, *, noise: float = 0.15, seed: int = 0) -> FrameLikeness:
    """Likeness of frames 0, 1, 2, ... at positions in picture differences, so about a Gaussian of their distance.

    noise : of each picture, relative to what it shows
    """
    rng = np.random.default_rng(seed)
    # Random features whose inner products are a Gaussian: Rahimi and Recht 2007, NIPS 20.
    waves = np.cos(np.outer(positions, rng.normal(size=300)) + rng.uniform(0, 2 * np.pi, 300)) * np.sqrt(2)
    shown = waves + noise * rng.normal(size=waves.shape)
    shown /= np.maximum(np.linalg.norm(shown, axis=1, keepdims=True), 1e-9)
    likeness = np.asarray((shown @ shown.T).clip(-1, 1), np.float32)
    return FrameLikeness(np.arange(len(positions)), likeness, np.zeros_like(likeness))


def pictures_at(positions: Floats, seed: int = 1) -> Iterator[NDArray[np.uint8]]:
    """Pictures of planes at ``positions`` in a body with a varying texture, with noise and a drifting gain."""
    rng = np.random.default_rng(seed)
    knots = np.arange(np.floor(positions.min() / LAYER_SPACING) - 2, np.ceil(positions.max() / LAYER_SPACING) + 3)
    layers = [cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32), (0, 0), 6) for _ in knots]
    layers = [70 + 25 * layer / layer.std() for layer in layers]
    for frame, position in enumerate(positions):
        weights = np.exp(-((knots - position / LAYER_SPACING) ** 2) / 0.5)
        picture = sum(w * layer for w, layer in zip(weights / np.linalg.norm(weights), layers, strict=True))
        picture = picture * (1 + 0.2 * np.sin(frame / 17)) + rng.normal(0, 6, (HEIGHT, WIDTH))
        yield picture.clip(0, 255).astype(np.uint8)
