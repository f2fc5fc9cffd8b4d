"""One scan of some objects, and the ways in which it may lie over another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.appearance import Appearance
from pipeline.track.merging.count_distribution import Distribution
from pipeline.track.merging.likelihood_ratios import size_ratios, stage_ratios
from pipeline.track.merging.matching import shared_by_place, shared_number, weights_by_place

__all__ = ["Laying", "Scanned", "likeness"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Scanned:
    """Objects of some clips, in mm if ``scaled``, lateral places from the sector's middle if ``centred``.

    order : (N,) along the sweep, 0 to 1;  reach : depth of the picture in mm, None if unknown
    shifts : for follicles and for shelled eggs, true number of objects less those listed
    """

    objects: tuple[Appearance, ...]
    order: Floats
    scaled: bool
    centred: bool
    reach: float | None
    shifts: tuple[Distribution, Distribution]


@dataclass(frozen=True)
class Laying:
    """One way in which the objects of one scan may lie over those of another.

    ratios : (N, M) log-likelihood ratios;  order : (M,) of the second's objects;  log_prior : natural
    again : for the objects of either scan, probability of being in the other, None where their place does not tell
    """

    ratios: Floats
    order: Floats
    log_prior: float
    again: tuple[Floats, Floats] | None = None

    def weights(self) -> Floats:
        """(N, M) by which pairs are chosen."""
        return self.ratios if self.again is None else weights_by_place(self.ratios, *self.again)

    def shared(
        self, rows: NDArray[np.int64], columns: NDArray[np.int64], share: float, weight: float
    ) -> tuple[Distribution, float]:
        """How many of some objects are in both, and the log-evidence."""
        part = self.ratios[np.ix_(rows, columns)]
        if self.again is None:
            return shared_number(part, share, weight)
        again = self.again[0][rows], self.again[1][columns]
        return shared_by_place(weights_by_place(part, *again), *again)


def likeness(first: Scanned, second: Scanned, settings: TrackSettings) -> Floats:
    """(N, M) log-likelihood ratios by what the objects themselves are like."""
    if not first.objects or not second.objects:
        return np.zeros((len(first.objects), len(second.objects)))
    ratios = stage_ratios(first.objects, second.objects)
    if first.scaled and second.scaled:
        ratios = ratios + size_ratios(first.objects, second.objects, settings.size_spread)
    return ratios
