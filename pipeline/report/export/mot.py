"""``CLIP.mot.txt``: the detections of what was counted in one clip as MOTChallenge text.

One line per detection: frame (from 1), object (``track_id`` of the COCO export), left, top, width, height, score,
class, visibility. The class is 1 follicle, 2 thin-shelled, 3 calcified; class and score are those of the COCO export.
Lengths are pixels of the source frame, with pixel centres at whole numbers. Visibility is always 1, because how much of
an egg is hidden is not estimated. Detections of what was not counted are left out.

Format: Dendorfer et al. 2020, "MOT20", arXiv 2003.09003.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from models.ellipse import bounding_boxes
from pipeline.estimate.results import ExamFinding
from pipeline.report.export.object_scores import object_scores
from pipeline.scan.clip_scan import ClipScan

__all__ = ["mot_lines"]


def mot_lines(finding: ExamFinding, scan: ClipScan) -> Iterator[bytes]:
    """The lines of one clip, sorted by frame, then object. None for a clip without tracks."""
    scores = object_scores(finding, scan)
    objects = scores.objects
    rows = np.flatnonzero(objects > 0)
    rows = rows[np.lexsort((objects[rows], scan.frame[rows]))]
    columns = zip(
        (scan.frame[rows] + 1).tolist(),
        objects[rows].tolist(),
        bounding_boxes(scan.ellipse[rows]).tolist(),
        scores.score[rows].tolist(),
        (1 + scores.stage[rows]).tolist(),
        strict=True,
    )
    for frame, object_id, (left, top, width, height), score, category in columns:
        box = f"{left:.2f},{top:.2f},{width:.2f},{height:.2f}"
        yield f"{frame},{object_id},{box},{score:.4f},{category},1\n".encode()
