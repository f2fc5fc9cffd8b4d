"""All figures of one data set: objects found in frames, as a whole and by stratum, and animals counted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.average_precision import (
    COCO_AREA_RANGES,
    AveragePrecision,
    CocoEvaluator,
    DetectedBoxes,
    PrecisionRecallCurve,
    TrueBoxes,
)
from pipeline.bench.baseline_counts import BaselineMetrics, baseline_counts
from pipeline.bench.count_comparison import CountComparison, compare_counts, read_results
from pipeline.bench.count_errors import DoubleCounts, double_counts
from pipeline.bench.count_metrics import CountMetrics, count_metrics
from pipeline.bench.detection_matching import Matches, OutlineErrorStatistics, match_detections, value_of_nearest_object
from pipeline.bench.exported_detections import ExportedDetections, read_exported_detections, result_folders
from pipeline.bench.false_positives import (
    FalsePositives,
    false_positives_in_egg_free_clips,
    false_positives_in_egg_free_frames,
)
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.matched_eggs import MatchedEgg, match_eggs
from pipeline.bench.outline_uncertainty import OutlineUncertainty, outline_uncertainty
from pipeline.bench.probe_path_error import ProbePathMetrics, probe_path_metrics
from pipeline.bench.risk_coverage import RiskCoverage, risk_coverage
from pipeline.bench.size_metrics import SizeMetrics, size_metrics
from pipeline.bench.stage_metrics import StageMetrics, stage_metrics
from pipeline.bench.strata import frame_strata, in_range, object_strata
from pipeline.bench.tracking_input import tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics

__all__ = ["CLASSES", "STAGES", "ClassMetrics", "DataSetMetrics", "Stratum", "measure_data_set", "read_matched_eggs"]

Mask = NDArray[np.bool_]

STAGES = ("follicle", "thin-shelled", "calcified")
# What is judged, and the stages that it merges.
CLASSES = {"shelled": (2, 3), "calcified": (3,), "thin-shelled": (2,), "follicle": (1,), "any": (1, 2, 3)}


@dataclass(frozen=True)
class ClassMetrics:
    """Objects of one class. What counts neither way is left out; None where there is nothing to tell.

    true_objects : number of them;  ap50, ap50_95 : COCO's average precision on boxes, at an overlap of 0.5 and over 0.5 to 0.95
    recall, precision : found with a score of at least 0.5 at an overlap of the outlines of at least 0.5. A false
    detection has no share of its outline visible and no depth, so by these there is no precision.
    stage_accuracy : share of the matched, whatever they were called;  errors_mm, errors_px : of the matched, the latter
    for clips without a known scale
    """

    true_objects: int
    ap50: float | None
    ap50_95: float | None
    recall: float | None
    precision: float | None
    stage_accuracy: float | None
    errors_mm: OutlineErrorStatistics
    errors_px: OutlineErrorStatistics


@dataclass(frozen=True)
class Stratum:
    """kind : "size", "visible", "depth", "species" or "exam";  name : within its kind"""

    kind: str
    name: str
    shelled: ClassMetrics
    follicle: ClassMetrics


@dataclass(frozen=True)
class DataSetMetrics:
    """classes : by name, as in CLASSES;  curves : of the same

    confusion : (4, 4) numbers of objects, rows what was true, columns what it was called, in the order of STAGES; the
    last row are detections of nothing, the last column objects that were not found
    double_counts : None where the data set does not tell objects apart
    baseline_counts : what would be counted otherwise, by its name
    risk : whether the flags point at the animals that are wrong
    stages, sizes : of listed eggs that are true objects;  follicle_sizes : of follicles, sizes those of shelled eggs
    animals : truth and count of each
    """

    name: str
    frames: int
    frames_used: int
    classes: dict[str, ClassMetrics]
    curves: dict[str, PrecisionRecallCurve]
    strata: tuple[Stratum, ...]
    confusion: NDArray[np.int64]
    outline_uncertainty: OutlineUncertainty
    egg_free_clip_false_positives: FalsePositives
    egg_free_frame_false_positives: FalsePositives
    tracking: TrackingMetrics
    probe_path: ProbePathMetrics
    counts: CountMetrics
    double_counts: DoubleCounts | None
    baseline_counts: dict[str, BaselineMetrics]
    risk: RiskCoverage
    stages: StageMetrics
    sizes: SizeMetrics
    follicle_sizes: SizeMetrics
    animals: tuple[CountComparison, ...]

    def document(self) -> dict[str, Any]:
        """All of it in the types of JSON."""
        return {
            **asdict(self),
            "curves": {
                name: {"precision": curve.precision.round(6).tolist(), "score": curve.score.round(6).tolist()}
                for name, curve in self.curves.items()
            },
            "confusion": {
                "true": [*STAGES, "nothing"],
                "called": [*STAGES, "not found"],
                "objects": self.confusion.tolist(),
            },
        }


def measure_data_set(data_set: DataSet, written: Path) -> DataSetMetrics:
    """Figures of the results that a batch over ``data_set.exams_root`` wrote under ``written``.

    All frames of the data set count: one that the batch refused or left out shows what it shows, and nothing was
    found in it.
    """
    folders = result_folders(written)
    found = read_exported_detections(data_set, folders)
    bench = _Bench(data_set, found)
    exams = [(animal, truth["date"]) for animal, truth in data_set.animals.items()]
    results = read_results([folders[exam] for exam in exams if exam in folders])
    animals = compare_counts(data_set.animals, results)
    eggs = match_eggs(data_set, found, bench.matches, folders)
    return DataSetMetrics(
        name=data_set.name,
        frames=len(data_set.frames.ids),
        frames_used=found.frames_used,
        classes={name: bench.overall(name) for name in CLASSES},
        curves={name: judge.curve() for name, judge in bench.judges.items()},
        strata=tuple(bench.strata()),
        confusion=_confusion(data_set, found, bench.matches),
        outline_uncertainty=outline_uncertainty(bench.matches, data_set.objects, found),
        egg_free_clip_false_positives=false_positives_in_egg_free_clips(data_set.objects, found, data_set.frames),
        egg_free_frame_false_positives=false_positives_in_egg_free_frames(data_set.objects, found, data_set.frames),
        tracking=tracking_metrics(tracking_clips(data_set.objects, found, data_set.frames)),
        probe_path=probe_path_metrics(data_set, folders),
        counts=count_metrics(animals),
        double_counts=double_counts(data_set, found, results),
        baseline_counts=baseline_counts(found, data_set.frames, results, {row.animal: row.crossed for row in animals}),
        risk=risk_coverage(animals),
        stages=stage_metrics(eggs),
        sizes=size_metrics([egg for egg in eggs if egg.stage > 0]),
        follicle_sizes=size_metrics([egg for egg in eggs if egg.stage == 0]),
        animals=tuple(animals),
    )


def read_matched_eggs(data_set: DataSet, results: Path) -> list[MatchedEgg]:
    """The listed eggs of a batch that are true objects."""
    folders = result_folders(results)
    found = read_exported_detections(data_set, folders)
    return match_eggs(data_set, found, match_detections(data_set.objects, found), folders)


class _Bench:
    """One data set with what was found in it."""

    def __init__(self, data_set: DataSet, found: ExportedDetections) -> None:
        self.truth, self.found, self.frames = data_set.objects, found, data_set.frames
        self.matches = match_detections(self.truth, found)
        self._true = {name: np.isin(self.truth.stage, stages) for name, stages in CLASSES.items()}
        self._called = {name: np.isin(found.stage, stages) for name, stages in CLASSES.items()}
        self.judges = {name: self._judge(self._true[name], self._called[name]) for name in CLASSES}
        self._scale = self.frames.mm_per_px[self.truth.frame]  # (N,)

    def _judge(self, true: Mask, called: Mask) -> CocoEvaluator:
        truth, found = self.truth, self.found
        return CocoEvaluator(
            TrueBoxes(truth.frame[true], truth.boxes[true], truth.areas[true], truth.ignored[true]),
            DetectedBoxes(found.frame[called], found.boxes[called], found.scores[called]),
            pictures=len(self.frames.ids),
        )

    def overall(self, name: str) -> ClassMetrics:
        everywhere = np.ones(len(self.frames.ids), dtype=bool)
        return self._of_frames(name, self.judges[name].overall(), everywhere)

    def strata(self) -> Iterator[Stratum]:
        sizes = {name: self.judges[name].by_size() for name in ("shelled", "follicle")}
        for size, (low, high) in COCO_AREA_RANGES.items():
            inside = (self.truth.areas >= low) & (self.truth.areas <= high)
            yield self._stratum("size", size, inside, {name: each[size] for name, each in sizes.items()})
        for kind in object_strata(self.truth):
            of_found = value_of_nearest_object(self.truth, self.found, kind.value)
            ranges = list(kind.ranges.values())
            judged = {
                name: self.judges[name].by_range(kind.value[self._true[name]], of_found[self._called[name]], ranges)
                for name in ("shelled", "follicle")
            }
            for index, (name, within) in enumerate(kind.ranges.items()):
                inside = in_range(kind.value, within)
                yield self._stratum(kind.kind, name, inside, {each: rows[index] for each, rows in judged.items()})
        for group, name, chosen in frame_strata(self.frames):
            yield Stratum(
                group,
                name,
                *(
                    self._of_frames(each, self.judges[each].on_pictures(chosen), chosen)
                    for each in ("shelled", "follicle")
                ),
            )

    def _stratum(self, kind: str, name: str, inside: Mask, judged: dict[str, AveragePrecision]) -> Stratum:
        return Stratum(kind, name, *(self._figures(each, judged[each], inside) for each in ("shelled", "follicle")))

    def _of_frames(self, name: str, judged: AveragePrecision, chosen: Mask) -> ClassMetrics:
        return self._figures(
            name, judged, chosen[self.truth.frame], chosen[self.found.frame] & self.matches.is_evaluated
        )

    def _figures(self, name: str, judged: AveragePrecision, inside: Mask, answered: Mask | None = None) -> ClassMetrics:
        """inside : (N,) objects of the stratum;  answered : (D,) detections that are right or wrong in it."""
        wanted = inside & ~self.truth.ignored & self._true[name]
        called = self._called[name]
        pairs, rows = wanted[self.matches.object_rows], self.matches.detection_rows
        right = int((pairs & called[rows]).sum())
        same = self.found.stage[rows] == self.truth.stage[self.matches.object_rows]
        scale = self._scale[self.matches.object_rows]
        known = ~np.isnan(scale)
        return ClassMetrics(
            true_objects=int(wanted.sum()),
            ap50=_known(judged.ap50),
            ap50_95=_known(judged.mean),
            recall=_share(right, int(wanted.sum())),
            precision=None if answered is None else _share(right, int((answered & called).sum())),
            stage_accuracy=_share(int((pairs & same).sum()), int(pairs.sum())),
            errors_mm=self.matches.errors(pairs & known, scale),
            errors_px=self.matches.errors(pairs & ~known, np.ones_like(scale)),
        )


def _confusion(data_set: DataSet, found: ExportedDetections, matches: Matches) -> NDArray[np.int64]:
    truth, last = data_set.objects, len(STAGES)
    result = np.zeros((last + 1, last + 1), dtype=np.int64)
    np.add.at(result, (truth.stage[matches.object_rows] - 1, found.stage[matches.detection_rows] - 1), 1)
    missed, nothing = ~truth.ignored, matches.is_evaluated.copy()
    missed[matches.object_rows], nothing[matches.detection_rows] = False, False
    result[:last, last] = np.bincount(truth.stage[missed] - 1, minlength=last)
    result[last, :last] = np.bincount(found.stage[nothing] - 1, minlength=last)
    return result


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _known(value: float) -> float | None:
    return None if np.isnan(value) else value
