"""Log-likelihood ratios that two appearances show the same egg rather than two different ones.

Every function gives an (N, M) matrix for N and M appearances; independent ones are added. "Different"
is judged against the exam's own eggs: a trait that all share, such as the size within a clutch, says little.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from pipeline.track.merging.observed_object import ObservedObject

__all__ = [
    "normal_log_density",
    "object_positions",
    "order_ratios",
    "place_ratios",
    "seen_in_same_frame",
    "size_ratios",
    "stage_ratios",
    "visibility_probability",
]

Floats = NDArray[np.float64]
ObservedObjects = Sequence[ObservedObject]

# No single trait is allowed to say more than this, log units.
_BOUND = 4.0
# Eggs lie in chains: this share of different eggs lie near each other, within _CHAIN spreads.
_CHAIN_SHARE, _CHAIN = 0.3, 3.0
_CLUTCH_SIZE_SPREAD = 0.06  # log units, at least, among eggs of one clutch
# Eggs of 141 phantoms (seed 12101) with the middle above the lower end of the other window's picture by a semi-axis or
# more were crossed from there, too; of those at its end half; of those a semi-axis below none.
_REACH_AT, _REACH_STEEP = 0.1, 5.4
_NEVER, _ALWAYS = 0.02, 0.9  # no more certain than this: clutches are swept in part, and eggs overlooked
_ORDER_SPREAD = 0.15  # of a sweep's length: how evenly two hands sweep


def object_positions(side: ObservedObjects) -> Floats:
    """(N, 2) lateral place and depth."""
    return np.array([[one.lateral, one.depth] for one in side])


# Depth is met again more exactly than the lateral place: hands slide along the skin and press alike.
_DEPTH_SHARE = 0.5


def place_ratios(a: Floats, b: Floats, lateral_spread: float, moved: Floats | None = None) -> Floats:
    """By lateral place and depth, (N, 2) and (M, 2), the first met again within ``lateral_spread``, same unit.

    moved : (N, M, 2) by which the picture moved in between, where known
    """
    spread = lateral_spread * np.array([1.0, _DEPTH_SHARE])
    step = a[:, None] - b[None]  # (N, M, 2)
    if moved is not None:
        step = step + moved
    same = normal_log_density(step, spread).sum(axis=2)
    middle = a.mean(axis=0) - b.mean(axis=0)
    broad = np.sqrt(a.var(axis=0) + b.var(axis=0) + (_CHAIN * spread) ** 2)
    apart = normal_log_density(step - middle, broad).sum(axis=2) + np.log(1 - _CHAIN_SHARE)
    chained = normal_log_density(step, _CHAIN * spread).sum(axis=2) + np.log(_CHAIN_SHARE)
    return _bounded(same - np.logaddexp(apart, chained), -2 * _BOUND)


def size_ratios(first: ObservedObjects, second: ObservedObjects, spread: float) -> Floats:
    """By the size of the largest section, measured within ``spread`` log units, where both are whole."""
    a, b = (np.log([one.size for one in side]) for side in (first, second))
    whole_a, whole_b = (np.array([one.is_fully_crossed for one in side], bool) for side in (first, second))
    sizes = np.concatenate([a[whole_a], b[whole_b]])
    clutch = max(float(sizes.std()) if len(sizes) > 1 else 0.0, _CLUTCH_SIZE_SPREAD)
    step = a[:, None] - b[None]
    same, different = np.sqrt(2) * spread, np.sqrt(2 * spread**2 + 2 * clutch**2)
    ratios = _bounded(normal_log_density(step, same) - normal_log_density(step, different))
    return np.where(whole_a[:, None] & whole_b[None], ratios, 0.0)


def stage_ratios(first: ObservedObjects, second: ObservedObjects) -> Floats:
    """By stage: agreement counts the more, the rarer the stage is in this exam."""
    a, b = (np.stack([one.stages for one in side]) for side in (first, second))
    population = np.concatenate([a, b]).mean(axis=0) + 0.05
    population = population / population.sum()
    return _bounded(np.log(np.maximum((a / population) @ b.T, 1e-6)))


def order_ratios(first: Floats, second: Floats) -> Floats:
    """By place along the sweep, (N,) and (M,) from 0 at its beginning to 1 at its end."""
    step = np.abs(first[:, None] - second[None])
    different = np.log(np.maximum(1 - step, 0.1))  # two independent uniform places
    return _bounded(normal_log_density(step, _ORDER_SPREAD) - different)


def visibility_probability(depth: Floats, size: Floats, imaging_depth: float) -> Floats:
    """(N,) probability that a window shows eggs that lie at these depths from it: half the outline must be in view.

    size : (N,) mean semi-axes;  imaging_depth : depth of the window's picture; all in one unit
    """
    beyond = np.clip(_REACH_STEEP * ((depth - imaging_depth) / size + _REACH_AT), -30, 30)
    return np.asarray(_NEVER + (_ALWAYS - _NEVER) / (1 + np.exp(beyond)))


def seen_in_same_frame(first: ObservedObjects, second: ObservedObjects) -> NDArray[np.bool_]:
    """Whether two appearances of one clip share a frame, so that they cannot be the same egg."""
    frames = np.unique(np.concatenate([one.frames for one in [*first, *second]]))
    a, b = _presence(first, frames), _presence(second, frames)
    return np.asarray((a @ b.T).toarray() > 0)


def _presence(side: ObservedObjects, frames: NDArray[np.int64]) -> csr_array:
    # (N, F) which of the frames each appearance is seen in.
    lengths = [len(one.frames) for one in side]
    columns = np.searchsorted(frames, np.concatenate([one.frames for one in side]))
    return csr_array(
        (np.ones(len(columns)), columns, np.concatenate([[0], np.cumsum(lengths)])),
        shape=(len(side), len(frames)),
    )


def normal_log_density(step: Floats, spread: float | Floats) -> Floats:
    """Log-density of a normal variable."""
    return np.asarray(-0.5 * (step / spread) ** 2 - np.log(spread) - 0.5 * np.log(2 * np.pi))


def _bounded(ratios: Floats, lowest: float = -_BOUND) -> Floats:
    return np.asarray(np.clip(ratios, lowest, _BOUND))
