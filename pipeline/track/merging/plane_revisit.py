"""Whether a hand came back to the plane that it had left: what stayed in view has the sections that it had.

While an object is out of sight the sections of the others go on growing or shrinking, the more the longer. After a
kick, or as a hand rocks, they are what they were, each within the error of its outline; an object then comes back into
view where it was lost, and no other one can lie there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.track.merging.observed_object import section_sizes
from pipeline.track.merging.same_egg_likelihood import normal_log_density
from pipeline.track.tracks import Track

__all__ = ["plane_return_ratios"]

Floats = NDArray[np.float64]

# Log units of a section's mean semi-axis. Of 72 sections beside broken tracks that go on (phantoms of seeds 13001 and
# 13002) half came back within 0.03 and nine in ten within 0.10 ...
_SAME, _WORSE, _WORSE_SHARE = 0.03, 0.10, 0.25
# ... and of 1,532 beside tracks of different eggs half had changed by 0.04 after two frames, 0.10 after five, and 0.2
# from ten on, in about half of them little.
_CHANGE_PER_FRAME, _LEAST_CHANGE, _MOST_CHANGE = 0.03, 0.02, 0.3
_LITTLE, _LITTLE_SHARE = 0.4, 0.5
_BOUND = 4.0


def plane_return_ratios(tracks: Sequence[Track], asked: NDArray[np.bool_]) -> Floats:
    """(N, N) log-likelihood ratio that the plane at the beginning of track j is the one at the end of track i.

    tracks : of one clip;  asked : (N, N) of which pairs; of others, and where nothing stayed in view, 0
    """
    sizes = [np.log(section_sizes(track)) for track in tracks]
    first = np.array([track.frames[0] for track in tracks])
    last = np.array([track.frames[-1] for track in tracks])
    ratios = np.zeros(asked.shape)
    for i, j in np.argwhere(asked).tolist():
        ended, began = int(last[i]), int(first[j])
        stayed = np.flatnonzero((first < ended) & (last > began)).tolist()
        if stayed:
            both = np.array([np.interp([ended, began], tracks[k].frames, sizes[k]) for k in stayed])
            ratio = _ratios(both[:, 1] - both[:, 0], began - ended).sum()
            ratios[i, j] = np.clip(ratio, -_BOUND, _BOUND)
    return ratios


def _ratios(change: Floats, gap: int) -> Floats:
    usual = min(_LEAST_CHANGE + _CHANGE_PER_FRAME * gap, _MOST_CHANGE)
    same = _mixed(change, (_SAME, 1 - _WORSE_SHARE), (_WORSE, _WORSE_SHARE))
    return same - _mixed(change, (usual, 1 - _LITTLE_SHARE), (_LITTLE * usual, _LITTLE_SHARE))


def _mixed(change: Floats, *parts: tuple[float, float]) -> Floats:
    # Log-density; parts : spread and share of each
    return np.asarray(
        np.logaddexp.reduce([normal_log_density(change, spread) + np.log(share) for spread, share in parts])
    )
