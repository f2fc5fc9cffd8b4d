"""The objects of one scan, and the ways in which they may correspond to those of another scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.egg_matching import pair_weights_by_visibility, shared_count, shared_count_by_visibility
from pipeline.track.merging.observed_object import ObservedObject
from pipeline.track.merging.same_egg_likelihood import size_ratios, stage_ratios

__all__ = ["Alignment", "ScanObjects", "object_ratios"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ScanObjects:
    """Objects of some clips, in mm if ``is_in_mm``, lateral positions from the sector's centre if ``is_centred``.

    order : (N,) position along the sweep, 0 to 1
    imaging_depth_mm : depth of the picture, None if unknown
    count_corrections : true number of objects minus those listed
    """

    objects: tuple[ObservedObject, ...]
    order: Floats
    is_in_mm: bool
    is_centred: bool
    imaging_depth_mm: float | None
    count_corrections: ByKind[CountDistribution]


@dataclass(frozen=True)
class Alignment:
    """One way in which the objects of one scan may correspond to those of another.

    ratios : (N, M) log-likelihood ratios;  order : (M,) of the second scan's objects;  log_prior : natural
    visibility : for the objects of either scan, probability of being visible in the other one, None where their
        position does not say
    """

    ratios: Floats
    order: Floats
    log_prior: float
    visibility: tuple[Floats, Floats] | None = None

    def pair_weights(self) -> Floats:
        """(N, M) log-weights by which pairs are chosen."""
        return self.ratios if self.visibility is None else pair_weights_by_visibility(self.ratios, *self.visibility)

    def shared_count(
        self, rows: NDArray[np.int64], columns: NDArray[np.int64], share: float, weight: float
    ) -> tuple[CountDistribution, float]:
        """How many of some objects are in both scans, and the log-evidence; share and weight as in `shared_count`."""
        part = self.ratios[np.ix_(rows, columns)]
        if self.visibility is None:
            return shared_count(part, share, weight)
        visibility = self.visibility[0][rows], self.visibility[1][columns]
        return shared_count_by_visibility(pair_weights_by_visibility(part, *visibility), *visibility)


def object_ratios(first: ScanObjects, second: ScanObjects, settings: TrackSettings) -> Floats:
    """(N, M) log-likelihood ratios from stage and, where both are in mm, size."""
    if not first.objects or not second.objects:
        return np.zeros((len(first.objects), len(second.objects)))
    ratios = stage_ratios(first.objects, second.objects)
    if first.is_in_mm and second.is_in_mm:
        ratios = ratios + size_ratios(first.objects, second.objects, settings.size_log_sd)
    return ratios
