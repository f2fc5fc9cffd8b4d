"""Stage and score of every exported detection, decided by the object that it shows and not by one frame alone.

One frame of an egg may look like a follicle, and one frame of gut like an egg. So all detections of an object have one
stage, and the score is the geometric mean of the frame's own, of the score that the best fifth of the object's frames
reach, and of the probability that the object is real, given the whole exam. The frame's own part keeps the order among
the detections of one object: those with good outlines come first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES
from pipeline.estimate.results import ExamFinding
from pipeline.report.sightings import joined_tracks
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.track_evidence import UPPER_QUANTILE

__all__ = ["ObjectScores", "object_scores"]

_UNCOUNTED_EXISTENCE = 0.4  # of what is in no counted egg: just too little to be counted (judgement, no source)
_LOWEST_PROBABILITY = 0.02  # no single frame excludes a stage; common practice, no source


@dataclass(frozen=True)
class ObjectScores:
    """Of the D detections of one clip.

    objects : (D,) the counted object that it shows, 0 if none: the lowest number of the object's tracks in this clip
    stage : (D,) index in STAGES;  score : (D,) 0 to 1
    """

    objects: NDArray[np.int64]
    stage: NDArray[np.int64]
    score: NDArray[np.float64]


def object_scores(finding: ExamFinding, scan: ClipScan) -> ObjectScores:
    """The stage and the score of each detection. A detection in no track is an object of its own.

    What was counted has the stage that it was counted as. Anything else has the likeliest one over its frames, each
    weighted by its score.
    """
    groups = joined_tracks(finding, scan)
    untracked = groups == 0
    number = int(groups.max(initial=0)) + 1
    groups[untracked] = number + np.arange(int(untracked.sum()))
    existence, counted_stage = _of_counted(finding, scan, number)
    logs = np.log(np.maximum(scan.stage_probability, _LOWEST_PROBABILITY))
    evidence = np.zeros((len(existence), logs.shape[1]))
    np.add.at(evidence, groups, scan.score[:, None] * logs)
    stage = np.where(counted_stage >= 0, counted_stage, evidence.argmax(axis=1))[groups]
    upper = _upper_scores(groups, scan.score)
    objects = np.where(counted_stage[groups] >= 0, groups, 0)
    return ObjectScores(objects, stage, np.cbrt(scan.score * upper * existence[groups]))


def _of_counted(finding: ExamFinding, scan: ClipScan, number: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Existence of each object, and the index in STAGES of the stage it was counted as, -1 where it was not counted."""
    size = number + len(scan.track)
    existence, stage = np.full(size, _UNCOUNTED_EXISTENCE), np.full(size, -1, dtype=np.int64)
    for egg in finding.eggs:
        tracks = [sighting.track for sighting in egg.sightings if sighting.clip == scan.file]
        if tracks and min(tracks) < number:
            existence[min(tracks)], stage[min(tracks)] = egg.confidence, STAGES.index(egg.stage)
    return existence, stage


def _upper_scores(groups: NDArray[np.int64], scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """(D,) the score that the best fifth of the frames of each detection's object reach."""
    order = np.argsort(groups, kind="stable")
    starts = np.flatnonzero(np.diff(groups[order], prepend=-1))
    upper = scores.copy()  # of a detection in no track its own, and most are in none
    for rows in (rows for rows in np.split(order, starts[1:]) if len(rows) > 1):
        upper[rows] = np.quantile(scores[rows], UPPER_QUANTILE)
    return upper
