"""All metrics of one data set: detections in frames, tracks, the probe's path, counts, stages and sizes."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.count_comparison import CountComparison, compare_counts
from pipeline.bench.counting_metrics import CountingMetrics, counting_metrics
from pipeline.bench.detection_matching import match_detections
from pipeline.bench.detection_metrics import DetectionMetrics, detection_metrics
from pipeline.bench.exported_detections import read_exported_detections
from pipeline.bench.follicle_contrast import follicle_snr
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.matched_eggs import MatchedEgg, match_eggs
from pipeline.bench.probe_path_error import ProbePathMetrics, probe_path_metrics
from pipeline.bench.result_files import read_results, result_folders
from pipeline.bench.size_metrics import FollicleDiameters, SizeMetrics, follicle_diameters, size_metrics
from pipeline.bench.stage_metrics import StageMetrics, stage_metrics
from pipeline.bench.tracking_input import tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics
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
    """All metrics of one data set.

    frames : of the data set;  frames_used : of those, frames that the batch used
    animals : ground truth and count of each animal
    """

    name: str
    frames: int
    frames_used: int
    detection: DetectionMetrics
    tracking: TrackingMetrics
    probe_path: ProbePathMetrics
    counting: CountingMetrics
    eggs: EggMetrics
    animals: tuple[CountComparison, ...]

    def document(self) -> dict[str, Any]:
        """All metrics in types of JSON."""
        return {**asdict(self), "detection": self.detection.document()}


def measure_data_set(data_set: DataSet, results: Path, settings: Settings) -> DataSetMetrics:
    """The metrics of the results that a batch over ``data_set.exams_root`` wrote to ``results``.

    The recordings are read once more, for how far the true follicles stand out in them.
    All frames of the data set count. A frame that the batch refused or left out counts as one without detections.
    """
    folders = result_folders(results)
    found = read_exported_detections(data_set, folders)
    matches = match_detections(data_set.objects, found)
    exams = [(animal, truth.date) for animal, truth in data_set.animals.items()]
    documents = read_results([folders[exam] for exam in exams if exam in folders])
    animals = compare_counts(data_set.animals, documents)
    eggs = match_eggs(data_set, found, matches, folders)
    return DataSetMetrics(
        name=data_set.name,
        frames=len(data_set.frames.ids),
        frames_used=found.frames_used,
        detection=detection_metrics(data_set, found, matches, follicle_snr(data_set, settings.ingest)),
        tracking=tracking_metrics(tracking_clips(data_set.objects, found, data_set.frames)),
        probe_path=probe_path_metrics(data_set, folders),
        counting=counting_metrics(data_set, found, documents, animals),
        eggs=EggMetrics(
            stages=stage_metrics(eggs),
            shelled_sizes=size_metrics([egg for egg in eggs if egg.is_shelled], settings.sizes),
            follicle_sizes=size_metrics([egg for egg in eggs if not egg.is_shelled], settings.sizes),
            follicle_diameters=follicle_diameters(eggs),
        ),
        animals=tuple(animals),
    )


def read_matched_eggs(data_set: DataSet, results: Path) -> list[MatchedEgg]:
    """The listed eggs of a batch that match a true object."""
    folders = result_folders(results)
    found = read_exported_detections(data_set, folders)
    return match_eggs(data_set, found, match_detections(data_set.objects, found), folders)
