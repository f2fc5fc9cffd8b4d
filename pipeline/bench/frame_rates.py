"""Whether an estimate depends on how densely the sweeps were filmed: the same clips, with every n-th frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.thinned_scans import scan_thinned
from pipeline.detect.detector import FrameDetector
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam_search import find_exams
from pipeline.exams.species import find_profile, load_profiles
from pipeline.formatting import plural
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import Settings

__all__ = [
    "STRIDES",
    "AnimalAtRates",
    "FrameRateMetrics",
    "count_at_rates",
    "frame_rate_document",
    "frame_rate_metrics",
    "frame_rate_table",
]

STRIDES = (1, 2, 3, 5)
"""Of 25 frames a second, these are 25, 12.5, 8.3 and 5."""


@dataclass(frozen=True)
class AnimalAtRates:
    """crossed : shelled eggs that the sweeps crossed;  estimates : of these, by stride, 1 for all frames"""

    animal: str
    crossed: int
    estimates: dict[int, int]


@dataclass(frozen=True)
class FrameRateMetrics:
    """The shelled counts of all animals from every n-th frame. Shares are of animals.

    equal, within_1_of_all_frames : estimates equal to those from all frames, and at most one off
    exact, within_1 : against the eggs crossed;  bias, mean_absolute_error : likewise, in eggs
    """

    stride: int
    animals: int
    equal: float
    within_1_of_all_frames: float
    exact: float
    within_1: float
    bias: float
    mean_absolute_error: float


def count_at_rates(
    data_set: DataSet,
    detector: FrameDetector,
    settings: Settings,
    *,
    strides: Sequence[int] = STRIDES,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> list[AnimalAtRates]:
    """Read every clip at every rate and estimate each animal. progress : called with exams done and their number"""
    exams, profiles = find_exams(data_set.exams_root).exams, load_profiles()
    animals = []
    for number, exam in enumerate(exams, 1):
        by_clip = [scan_thinned(clip, detector, settings, strides) for clip in exam.clips]
        estimates = {}
        for stride in strides:
            scans = [scans[stride] for scans in by_clip]
            finding = estimate_exam(
                exam,
                [scan.tracks for scan in scans if scan.status == "done"],
                [clip_coverage(scan) for scan in scans],
                settings,
                background=AnimalBackground(find_profile(exam.species, profiles)),
            )
            estimates[stride] = finding.shelled.estimate
        animals.append(AnimalAtRates(exam.animal, data_set.animals[exam.animal].crossed.shelled, estimates))
        progress(number, len(exams))
    return animals


def frame_rate_metrics(animals: Sequence[AnimalAtRates]) -> list[FrameRateMetrics]:
    """The metrics at each rate, compared with the smallest stride; empty without an animal."""
    if not animals:
        return []
    strides = sorted(animals[0].estimates)
    crossed = np.array([animal.crossed for animal in animals])
    estimates = {stride: np.array([animal.estimates[stride] for animal in animals]) for stride in strides}
    metrics = []
    for stride in strides:
        change, error = estimates[stride] - estimates[strides[0]], estimates[stride] - crossed
        metrics.append(
            FrameRateMetrics(
                stride=stride,
                animals=len(animals),
                equal=float((change == 0).mean()),
                within_1_of_all_frames=float((np.abs(change) <= 1).mean()),
                exact=float((error == 0).mean()),
                within_1=float((np.abs(error) <= 1).mean()),
                bias=float(error.mean()),
                mean_absolute_error=float(np.abs(error).mean()),
            )
        )
    return metrics


def frame_rate_document(name: str, animals: Sequence[AnimalAtRates]) -> dict[str, Any]:
    """Metrics and animals of one data set in types of JSON."""
    return {
        "name": name,
        "rates": [asdict(each) for each in frame_rate_metrics(animals)],
        "animals": [asdict(each) for each in animals],
    }


def frame_rate_table(name: str, animals: Sequence[AnimalAtRates]) -> str:
    """A line for each rate."""
    return "\n".join(_lines(name, animals))


def _lines(name: str, animals: Sequence[AnimalAtRates]) -> Iterator[str]:
    yield f"{name}: {plural(len(animals), 'animal')}"
    yield "  frames used   of 25 a second | equal to all frames  within 1 of them | exact  within 1    bias  mean error"
    for each in frame_rate_metrics(animals):
        frames = "all" if each.stride == 1 else f"every {each.stride}."
        yield (
            f"  {frames:<12}{25 / each.stride:>16.1f} |{each.equal:>20.0%}{each.within_1_of_all_frames:>18.0%} |"
            f"{each.exact:>6.0%}{each.within_1:>10.0%}{each.bias:>+8.2f}{each.mean_absolute_error:>12.2f}"
        )
