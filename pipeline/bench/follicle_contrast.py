"""How far the true follicles of a data set stand out of their surroundings, read from its recordings."""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Mapping

import numpy as np
import torch
from numpy.typing import NDArray

from models.contrast import contrast_snr
from pipeline.bench.ground_truth import DataSet, TrueObjects, rows_by_frame
from pipeline.exams.exam import ExamClip
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings

__all__ = ["follicle_snr"]

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]
_RowsByFrame = Mapping[int, NDArray[np.int64]]


def follicle_snr(data_set: DataSet, settings: IngestSettings) -> Floats:
    """(N,) signal-to-noise ratio (`models.contrast`) of each true follicle in its frame.

    NaN for eggs, for follicles with too little around them to measure, and where a recording is missing or cannot be
    read. Each clip that shows a follicle is read once, frame by frame.
    """
    snr = np.full(len(data_set.objects.frame), np.nan)
    wanted = _rows_of_frames_with_follicles(data_set)
    if wanted:
        for exam in find_exams(data_set.exams_root).exams:
            for clip in exam.clips:
                rows = wanted.get((exam.animal, clip.file))
                if rows is not None and clip.refusal is None:
                    _measure_clip(snr, clip, rows, data_set.objects, settings)
    snr[data_set.objects.is_shelled] = np.nan
    return snr


def _rows_of_frames_with_follicles(data_set: DataSet) -> dict[tuple[str, str], dict[int, NDArray[np.int64]]]:
    """By animal and clip, and by frame: the rows of all objects in it."""
    wanted: dict[tuple[str, str], dict[int, NDArray[np.int64]]] = defaultdict(dict)
    rows_of_frames = rows_by_frame(data_set.objects.frame, data_set.frames)
    for (animal, clip, frame), rows in zip(data_set.frames.ids, rows_of_frames, strict=True):
        if not data_set.objects.is_shelled[rows].all():
            wanted[animal, clip][frame] = rows
    return wanted


def _measure_clip(
    snr: Floats, clip: ExamClip, wanted: _RowsByFrame, objects: TrueObjects, settings: IngestSettings
) -> None:
    """Write the values of the wanted frames of one clip into ``snr``."""
    last = max(wanted)
    try:
        with open_clip(clip.path, settings) as frames:
            for frame in frames:
                rows = wanted.get(frame.index)
                if rows is not None:
                    snr[rows] = _of_frame(frame.grey, objects.ellipses[rows])
                if frame.index == last:
                    break
    except ClipError as error:
        log.warning("contrast not measured: %s", error)


def _of_frame(grey: NDArray[np.uint8], ellipses: Floats) -> Floats:
    """(M,) of the objects of one frame. grey : (H, W);  ellipses : (M, 5) px"""
    picture = torch.from_numpy(grey.astype(np.float32) / 255)
    rows = torch.from_numpy(ellipses.astype(np.float32))
    return np.asarray(contrast_snr(picture[None], rows[None], torch.ones(1, len(rows), dtype=torch.bool))[0].double())
