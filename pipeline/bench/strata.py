"""The strata by which metrics are split, and the objects and frames in each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import DataSetFrames, TrueObjects

__all__ = [
    "CLUTCH_SIZES",
    "DEPTH_RANGES_MM",
    "FOLLICLE_NUMBERS",
    "VISIBILITY_RANGES",
    "ObjectStrata",
    "frame_strata",
    "in_range",
    "object_strata",
]

Floats = NDArray[np.float64]
Range = tuple[float, float]

# By visible share of the outline. Detectors are compared by the first: with less than half, an outline is a guess.
VISIBILITY_RANGES: dict[str, Range] = {
    "at least half": (0.5, np.inf),
    "below half": (0.0, 0.5),
    "half to 3/4": (0.5, 0.75),
    "3/4 and more": (0.75, np.inf),
}
DEPTH_RANGES_MM: dict[str, Range] = {
    "below 20 mm": (0.0, 20.0),
    "20 to 40 mm": (20.0, 40.0),
    "40 to 60 mm": (40.0, 60.0),
    "from 60 mm": (60.0, np.inf),
}
# By shelled eggs that the sweeps crossed. Animals without eggs are easy, so small clutches are given with and without.
CLUTCH_SIZES: dict[str, Range] = {
    "none": (0.0, 1.0),
    "1 to 15": (1.0, 16.0),
    "up to 15": (0.0, 16.0),
    "16 to 24": (16.0, 25.0),
    "above 24": (25.0, np.inf),
}
# By follicles that the sweeps crossed, so that many animals without any do not hide how well the others are counted.
FOLLICLE_NUMBERS: dict[str, Range] = {
    "none": (0.0, 1.0),
    "1 to 8": (1.0, 9.0),
    "above 8": (9.0, np.inf),
    "1 or more": (1.0, np.inf),
    "all": (0.0, np.inf),
}


@dataclass(frozen=True)
class ObjectStrata:
    """Strata by a value of the objects.

    kind : of the strata;  value : (N,) of the objects, NaN where unknown;  ranges : [low, high) by name
    """

    kind: str
    value: Floats
    ranges: dict[str, Range]


def object_strata(truth: TrueObjects) -> Iterator[ObjectStrata]:
    """The strata by a value of each object. A value that is unknown for all objects gives no strata."""
    for kind, value, ranges in (
        ("visible", truth.visible_share, VISIBILITY_RANGES),
        ("depth", truth.depth_mm, DEPTH_RANGES_MM),
    ):
        if not np.isnan(value).all():
            yield ObjectStrata(kind, value, ranges)


def in_range(value: Floats, limits: Range) -> NDArray[np.bool_]:
    """Whether each value is in [low, high)."""
    return np.asarray((value >= limits[0]) & (value < limits[1]))


def frame_strata(frames: DataSetFrames) -> Iterator[tuple[str, str, NDArray[np.bool_]]]:
    """Strata of frames: kind, name, and (F,) which frames. Each animal of a data set has one exam."""
    species, animal = np.array(frames.species), np.array([name[0] for name in frames.ids])
    for kind, of_frame in (("species", species), ("exam", animal)):
        for name in sorted(set(of_frame.tolist())):
            yield kind, name, of_frame == name
