"""Log-likelihood ratios that two observed objects are the same egg rather than two different ones.

Every function returns an (N, M) matrix for N and M objects; independent ratios are added. "Different" is relative
to the exam's own eggs: a trait that all of them share, such as the size within a clutch, says little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import expit

from pipeline.track.merging.observed_object import ObservedObject

__all__ = [
    "depth_ratios",
    "normal_log_density",
    "object_positions",
    "order_ratios",
    "position_ratios",
    "seen_in_same_frame",
    "size_ratios",
    "stage_ratios",
    "uniform_step_log_density",
    "visibility_probability",
]

Floats = NDArray[np.float64]
ObservedObjects = Sequence[ObservedObject]


@dataclass(frozen=True)
class _TraitModel:
    """How traits of objects vary. Common practice, no source."""

    maximum_log_ratio: float = 4.0  # that a single trait can reach, either way
    # Of the lateral standard deviation. Depth is more repeatable: the probe slides along the skin but is pressed alike.
    depth_share: float = 0.5
    neighbour_share: float = 0.3  # of different eggs that lie next to each other, because eggs lie in chains ...
    neighbour_sds: float = 3.0  # ... within so many standard deviations
    minimum_clutch_log_sd: float = 0.06  # of sizes among eggs of one clutch
    order_sd: float = 0.15  # of a sweep's length: how far two sweeps differ in pace
    stage_floor: float = 0.05  # added to each stage's share in the exam
    minimum_agreement: float = 1e-6  # of stages
    minimum_step_density: float = 0.1  # of two independent uniform positions


@dataclass(frozen=True)
class _VisibilityModel:
    """Which eggs a window shows. Measured on eggs of 141 phantoms (seed 12101).

    Eggs whose centre lay above the lower end of the other window's picture by a semi-axis or more were crossed from
    there as well; of those at its end half; of those a semi-axis below none.
    """

    half_at: float = 0.1  # semi-axes above the end of the picture, where half are visible
    slope: float = 5.4  # log-odds per semi-axis
    minimum: float = 0.02  # no more certain than these: clutches are swept in part, and eggs missed
    maximum: float = 0.9


_TRAIT, _VISIBILITY = _TraitModel(), _VisibilityModel()


def object_positions(objects: ObservedObjects) -> Floats:
    """(N, 2) lateral position and depth."""
    return np.array([[one.lateral, one.depth] for one in objects])


def position_ratios(a: Floats, b: Floats, lateral_sd: float) -> Floats:
    """From lateral position and depth, (N, 2) and (M, 2); the first has a standard deviation of ``lateral_sd``."""
    sd = lateral_sd * np.array([1.0, _TRAIT.depth_share])
    step = a[:, None] - b[None]  # (N, M, 2)
    same = normal_log_density(step, sd).sum(axis=2)
    mean_step = a.mean(axis=0) - b.mean(axis=0)
    cloud_sd = np.sqrt(a.var(axis=0) + b.var(axis=0) + (_TRAIT.neighbour_sds * sd) ** 2)
    anywhere = normal_log_density(step - mean_step, cloud_sd).sum(axis=2) + np.log(1 - _TRAIT.neighbour_share)
    neighbours = normal_log_density(step, _TRAIT.neighbour_sds * sd).sum(axis=2) + np.log(_TRAIT.neighbour_share)
    return _bounded(same - np.logaddexp(anywhere, neighbours), lowest=-2 * _TRAIT.maximum_log_ratio)


def depth_ratios(a: Floats, b: Floats, lateral_sd: float) -> Floats:
    """From the depth alone, (N,) and (M,), where nothing says how the pictures lie to each other.

    lateral_sd : as of `position_ratios`
    """
    sd = lateral_sd * _TRAIT.depth_share
    step = a[:, None] - b[None]
    cloud_sd = float(np.sqrt(a.var() + b.var() + sd**2))
    return _bounded(normal_log_density(step, sd) - normal_log_density(step - a.mean() + b.mean(), cloud_sd))


def size_ratios(first: ObservedObjects, second: ObservedObjects, log_sd: float) -> Floats:
    """From the size of the largest section, where both objects were fully crossed; 0 elsewhere.

    log_sd : standard deviation of its logarithm when measured again
    """
    a, b = (np.log([one.size for one in side]) for side in (first, second))
    is_full_a, is_full_b = (np.array([one.is_fully_crossed for one in side], bool) for side in (first, second))
    sizes = np.concatenate([a[is_full_a], b[is_full_b]])
    clutch_sd = max(float(sizes.std()) if len(sizes) > 1 else 0.0, _TRAIT.minimum_clutch_log_sd)
    step = a[:, None] - b[None]
    same_sd, different_sd = np.sqrt(2) * log_sd, np.sqrt(2 * log_sd**2 + 2 * clutch_sd**2)
    ratios = _bounded(normal_log_density(step, same_sd) - normal_log_density(step, different_sd))
    return np.where(is_full_a[:, None] & is_full_b[None], ratios, 0.0)


def stage_ratios(first: ObservedObjects, second: ObservedObjects) -> Floats:
    """From the stage: agreement counts more for a stage that is rare in this exam."""
    a, b = (np.stack([one.stages for one in side]) for side in (first, second))
    population = np.concatenate([a, b]).mean(axis=0) + _TRAIT.stage_floor
    population = population / population.sum()
    return _bounded(np.log(np.maximum((a / population) @ b.T, _TRAIT.minimum_agreement)))


def order_ratios(first: Floats, second: Floats) -> Floats:
    """From the position along the sweep, (N,) and (M,) from 0 at its beginning to 1 at its end."""
    step = first[:, None] - second[None]
    return _bounded(normal_log_density(step, _TRAIT.order_sd) - uniform_step_log_density(step))


def visibility_probability(depth: Floats, size: Floats, imaging_depth: float) -> Floats:
    """(N,) probability that a window shows eggs that lie at these depths from it; about half the outline must be shown.

    size : (N,) mean semi-axes;  imaging_depth : depth of the window's picture; all in one unit
    """
    semi_axes_beyond = (depth - imaging_depth) / size
    share = expit(-_VISIBILITY.slope * (semi_axes_beyond + _VISIBILITY.half_at))
    return np.asarray(_VISIBILITY.minimum + (_VISIBILITY.maximum - _VISIBILITY.minimum) * share)


def seen_in_same_frame(first: ObservedObjects, second: ObservedObjects) -> NDArray[np.bool_]:
    """Whether two objects of one clip share a frame, so that they cannot be the same egg."""
    frames = np.unique(np.concatenate([one.frames for one in [*first, *second]]))
    a, b = _presence(first, frames), _presence(second, frames)
    return np.asarray((a @ b.T).toarray() > 0)


def normal_log_density(step: Floats, sd: float | Floats) -> Floats:
    """Log-density of a normal variable with mean 0."""
    return np.asarray(-0.5 * (step / sd) ** 2 - np.log(sd) - 0.5 * np.log(2 * np.pi))


def uniform_step_log_density(step: Floats) -> Floats:
    """Log-density of the difference of two independent uniform positions between 0 and 1."""
    return np.asarray(np.log(np.maximum(1 - np.abs(step), _TRAIT.minimum_step_density)))


def _presence(objects: ObservedObjects, frames: NDArray[np.int64]) -> csr_array:
    # (N, F) in which of the frames each object is seen.
    lengths = [len(one.frames) for one in objects]
    columns = np.searchsorted(frames, np.concatenate([one.frames for one in objects]))
    return csr_array(
        (np.ones(len(columns)), columns, np.concatenate([[0], np.cumsum(lengths)])),
        shape=(len(objects), len(frames)),
    )


def _bounded(ratios: Floats, lowest: float = -_TRAIT.maximum_log_ratio) -> Floats:
    return np.asarray(np.clip(ratios, lowest, _TRAIT.maximum_log_ratio))
