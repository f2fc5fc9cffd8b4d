"""All metrics of one data set: detections in frames, tracks, the probe's path, counts, stages and sizes."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.comparison.animal_strata import StratumFigures
from pipeline.bench.count_comparison import CountComparison, compare_counts
from pipeline.bench.counting_metrics import CountingMetrics, counting_metrics
from pipeline.bench.detection_matching import match_detections
from pipeline.bench.detection_metrics import DetectionMetrics, detection_metrics
from pipeline.bench.follicle_contrast import follicle_snr
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.matched_eggs import MatchedEgg, match_eggs
from pipeline.bench.probe_path_error import ProbePathMetrics, probe_path_metrics
from pipeline.bench.result_files import read_results
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.results.own_output import read_own_output
from pipeline.bench.size_metrics import FollicleDiameters, SizeMetrics, follicle_diameters, size_metrics
from pipeline.bench.stage_metrics import StageMetrics, stage_metrics
from pipeline.bench.tracking_input import tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics
from pipeline.bench.world_figures import world_figures
from pipeline.settings import Settings

__all__ = ["DataSetMetrics", "EggMetrics", "measure_data_set", "read_matched_eggs"]


@dataclass(frozen=True)
class EggMetrics:
    """The stages and sizes of listed eggs and follicles that match a true object."""

    stages: StageMetrics
    shelled_sizes: SizeMetrics
    follicle_sizes: SizeMetrics
    follicle_diameters: FollicleDiameters


@dataclass(frozen=True)
class DataSetMetrics:
    """All metrics of one method on one data set.

    frames : of the data set;  frames_used : of those, frames that the method used
    detection, counting : None for a method that gives no detections, or no counts
    animals : ground truth and count of each animal
    worlds : figures by world; empty where the data set has no two worlds
    """

    name: str
    frames: int
    frames_used: int
    detection: DetectionMetrics | None
    tracking: TrackingMetrics
    probe_path: ProbePathMetrics
    counting: CountingMetrics | None
    eggs: EggMetrics
    animals: tuple[CountComparison, ...]
    worlds: tuple[StratumFigures, ...]

    def document(self) -> dict[str, Any]:
        """All metrics in types of JSON."""
        return {**asdict(self), "detection": self.detection and self.detection.document()}


def measure_data_set(data_set: DataSet, results: MethodResults, settings: Settings) -> DataSetMetrics:
    """The metrics of what one method found in a data set.

    The recordings are read once more, for how far the true follicles stand out in them.
    All frames of the data set count. A frame that the method refused or left out counts as one without detections.
    """
    found = results.found
    matches = None if found is None else match_detections(data_set.objects, found)
    documents = read_results(results.exams.values())
    animals = compare_counts(data_set.animals, results.counts or {})
    eggs = [] if found is None or matches is None else match_eggs(data_set, found, matches, results.exams)
    frames = len(data_set.frames.ids)
    return DataSetMetrics(
        name=data_set.name,
        frames=frames,
        frames_used=frames if found is None else found.frames_used,
        detection=None
        if found is None or matches is None
        else detection_metrics(data_set, found, matches, follicle_snr(data_set, settings.ingest)),
        tracking=tracking_metrics(
            tracking_clips(data_set.objects, found, data_set.frames) if found is not None and results.has_tracks else []
        ),
        probe_path=probe_path_metrics(data_set, results.exams),
        counting=None if results.counts is None else counting_metrics(data_set, found, documents, animals),
        eggs=EggMetrics(
            stages=stage_metrics(eggs),
            shelled_sizes=size_metrics([egg for egg in eggs if egg.is_shelled], settings.sizes),
            follicle_sizes=size_metrics([egg for egg in eggs if not egg.is_shelled], settings.sizes),
            follicle_diameters=follicle_diameters(eggs),
        ),
        animals=tuple(animals),
        worlds=world_figures(data_set, results, animals),
    )


def read_matched_eggs(data_set: DataSet, results: Path) -> list[MatchedEgg]:
    """The listed eggs of a batch that match a true object."""
    own = read_own_output(data_set, results)
    if own.found is None:
        return []
    return match_eggs(data_set, own.found, match_detections(data_set.objects, own.found), own.exams)
