"""How large and of what shape an egg is, as far as its sections tell.

A plane through an egg shows at most its true length and width, so what is reported are lower bounds, close to
the truth where the sweep crossed the egg's middle: half of all planes through a sphere that are spread evenly
over its diameter show at least 0.87 of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.settings import EstimateSettings
from pipeline.track.tracks import Track, picture_worth

__all__ = ["Measurement", "measure"]

Shape = Literal["round", "oval", "cannot tell"]


@dataclass(frozen=True)
class Measurement:
    """length_mm, width_mm : of the largest sections;  depth_mm : in the best sighting; None without scale"""

    shape: Shape
    length_mm: float | None
    width_mm: float | None
    depth_mm: float | None


def measure(sightings: Sequence[tuple[Track, float | None]], settings: EstimateSettings) -> Measurement:
    """Measure one egg from its tracks, each with its clip's mm per px or None.

    Of each track the ``size_quantile`` of the axes is taken for the largest, since the very largest is the
    one most in error; of several tracks, the largest.

    Shape goes by length over width: round up to ``round_ratio``, oval from ``oval_ratio``, between which the
    near-spheres of tortoises lie (elongation 1.2 in Gopherus against 1.7 in Sternotherus: Nelan 2001). A long
    egg swept end on shows round sections only, so few sections settle nothing.
    """
    scaled = [(track, scale) for track, scale in sightings if scale is not None]
    if scaled:
        axes = np.array([np.multiply(_largest(track, settings), scale) for track, scale in scaled])
        length, width = (float(value) for value in 2 * axes.max(axis=0))
        sections = sum(len(track.frames) for track, _ in scaled)
    else:
        # Pixels of different clips cannot be compared; the longest track speaks for the shape.
        longest = max((track for track, _ in sightings), key=lambda track: len(track.frames))
        length, width = _largest(longest, settings)
        sections = len(longest.frames)
    best, best_scale = max(sightings, key=lambda sighting: _worth(*sighting))
    return Measurement(
        shape=_shape(length / width, sections, settings),
        length_mm=length if scaled else None,
        width_mm=width if scaled else None,
        depth_mm=None if best_scale is None else float(best.depths_px[best.best]) * best_scale,
    )


def _largest(track: Track, settings: EstimateSettings) -> tuple[float, float]:
    major, minor = np.quantile(track.ellipses[:, 2:4], settings.size_quantile, axis=0)
    return float(major), float(minor)


def _worth(track: Track, mm_per_px: float | None) -> float:
    area = 1.0 if mm_per_px is None else mm_per_px**2
    return float(picture_worth(track.ellipses, track.scores).max()) * area


def _shape(ratio: float, sections: int, settings: EstimateSettings) -> Shape:
    if sections < settings.shape_sections or settings.round_ratio < ratio < settings.oval_ratio:
        return "cannot tell"
    return "round" if ratio <= settings.round_ratio else "oval"
