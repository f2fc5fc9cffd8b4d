"""``CLIP.mot.txt``: the followed detections of one clip as MOTChallenge text.

One line a detection: frame (from 1), object (as ``track_id`` of the COCO export), left, top, width, height, score,
class, visibility. Class is 1 follicle, 2 thin-shelled, 3 calcified, as in the COCO export; lengths are pixels of the
source frame, pixel centres at whole numbers; visibility is 1, for how much of an egg is hidden is not estimated.
Detections that belong to no track are left out.

Format: Dendorfer et al. 2020, "MOT20", arXiv 2003.09003.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from models.ellipse import bounding_boxes
from pipeline.estimate.results import ExamFinding
from pipeline.report.sightings import object_ids
from pipeline.scan.clip_scan import ClipScan

__all__ = ["mot_lines"]


def mot_lines(finding: ExamFinding, scan: ClipScan) -> Iterator[bytes]:
    """The lines of one clip, by frame, then object; nothing for a clip without tracks."""
    objects = object_ids(finding, scan)
    rows = np.flatnonzero(objects > 0)
    rows = rows[np.lexsort((objects[rows], scan.frame[rows]))]
    columns = zip(
        (scan.frame[rows] + 1).tolist(),
        objects[rows].tolist(),
        bounding_boxes(scan.ellipse[rows]).tolist(),
        scan.score[rows].tolist(),
        (1 + np.argmax(scan.stage_probability[rows], axis=1)).tolist(),
        strict=True,
    )
    for frame, track, (left, top, width, height), score, stage in columns:
        box = f"{left:.2f},{top:.2f},{width:.2f},{height:.2f}"
        yield f"{frame},{track},{box},{score:.4f},{stage},1\n".encode()
