"""The shells of one clutch grow together, so each shelled egg says something about the stage of the others.

How many of the shelled eggs of an exam are thin-shelled and how many calcified is estimated from all of them by
expectation and maximisation, and the stage of each is then taken with those shares as its prior (Saerens, Latinne and
Decaestecker 2002, Neural Comput 14:21). A few uncertain eggs follow the others of their clutch, and a clutch whose eggs
clearly have two stages keeps both. Only eggs with measured signs are counted: an error of the network is likely to be
the same for all eggs of an exam, so that their number would not make it less likely. An egg without signs gets the mean
of its own stages and those of the measured eggs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["share_within_clutch"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_PRIOR_EGGS = 2.0  # eggs whose weight the usual shares have against those of the clutch; common practice, no source
_STEPS = 30  # more change nothing


def share_within_clutch(stages: Floats, is_measured: Mask, existence: Floats, usual_shares: Floats) -> Floats:
    """(N, 3) stages of the objects of one exam, with what its shelled eggs say about each other. Follicles are kept.

    stages : (N, 3) of each object by itself;  is_measured : (N,) whether it has signs
    existence : (N,) probability that it is real
    usual_shares : (2,) of thin-shelled and calcified eggs where the stages were learned
    """
    shelled = stages[:, 1:].sum(1, keepdims=True)
    alone = stages[:, 1:] / shelled
    is_shelled = shelled[:, 0] > stages[:, 0]
    giving, taking = is_shelled & is_measured, is_shelled & ~is_measured
    weights = existence[giving]
    shared, among_shelled = alone.copy(), alone[giving]
    shares = usual_shares / usual_shares.sum()
    for _ in range(_STEPS):
        prior = shares / usual_shares
        among_shelled = alone[giving] * prior / (alone[giving] * prior).sum(1, keepdims=True)
        counted = _PRIOR_EGGS * usual_shares / usual_shares.sum() + weights @ among_shelled
        shares = counted / counted.sum()
    shared[giving] = among_shelled
    shared[taking] = (weights @ among_shelled + alone[taking]) / (weights.sum() + 1)
    return np.column_stack([stages[:, 0], shared * shelled])
