"""MOTChallenge: for each clip a folder with ``seqinfo.ini``, ``gt/gt.txt`` and pictures in ``img1``.

A line of ``gt.txt`` has frame (from 1), object, left, top, width, height, 1 or 0 for one that is ignored, stage (1
follicle, 2 thin-shelled, 3 calcified) and visible share (1 where unknown). TrackEval reads it as it is; with
``DO_PREPROC`` off it takes objects of all stages. Format: Dendorfer et al. 2020, "MOT20", arXiv 2003.09003.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.bench.export.exported_clips import ExportedClip, ExportedFrame, write_picture
from pipeline.bench.ground_truth import DataSet, TrueObjects
from pipeline.store.atomic_write import write_atomically

__all__ = ["write_mot"]

_UNKNOWN_RATE = 25  # frames per second, where the recording does not say; TrackEval does not use it


def write_mot(data_set: DataSet, clips: Iterator[ExportedClip], folder: Path) -> None:
    """As `DataSetWriter`. Frames are numbered without gaps, so all of them have to be exported."""
    for clip in clips:
        target, lines, frames = folder / clip.sequence, [], 0
        for frame in clip.frames:
            frames += 1
            write_picture(target / "img1" / f"{frames:06d}.png", frame.picture)
            lines += [f"{frames},{line}\n" for line in _lines(frame, data_set.objects)]
        write_atomically(target / "gt" / "gt.txt", [line.encode() for line in lines])
        write_atomically(target / "seqinfo.ini", [_sequence_info(clip, frames).encode()])


def _lines(frame: ExportedFrame, truth: TrueObjects) -> Iterator[str]:
    for row in frame.objects.tolist():
        left, top, width, height = truth.boxes[row].tolist()
        visible = truth.visible_share[row]
        yield (
            f"{truth.object_id[row]},{left:.2f},{top:.2f},{width:.2f},{height:.2f},{int(not truth.ignored[row])},"
            f"{truth.stage[row] + 1},{1.0 if np.isnan(visible) else visible:.3f}"
        )


def _sequence_info(clip: ExportedClip, frames: int) -> str:
    return (
        f"[Sequence]\nname={clip.sequence}\nimDir=img1\nframeRate={clip.frame_rate or _UNKNOWN_RATE:g}\n"
        f"seqLength={frames}\nimWidth={clip.width}\nimHeight={clip.height}\nimExt=.png\n"
    )
