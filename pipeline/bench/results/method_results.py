"""What one method says of a data set, whatever format it was read from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from models.errors import ClutchlightError
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.stated_counts import StatedCounts

__all__ = ["MethodResults", "ResultsError", "ResultsReader"]


class ResultsError(ClutchlightError):
    """Results of a method that cannot be read, or that do not belong to the data set."""


@dataclass(frozen=True)
class MethodResults:
    """What one method says of a data set.

    found : its detections, None where it gives none;  has_tracks : whether it follows them from frame to frame
    counts : by animal, None where it gives none
    exams : output folders of our own batch by animal and date, which hold what no other format does: listings, sizes
        and the path of the probe; empty for any other method
    """

    found: ExportedDetections | None = None
    has_tracks: bool = False
    counts: Mapping[str, StatedCounts] | None = None
    exams: Mapping[tuple[str, str], Path] = field(default_factory=dict)


class ResultsReader(Protocol):
    """Reads one format."""

    def __call__(self, data_set: DataSet, path: Path) -> MethodResults | None:
        """The results in a file or folder; None if it holds nothing in this format.

        Raises ResultsError if they cannot be read, or are not of this data set.
        """
