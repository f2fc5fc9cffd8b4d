"""Random frames of real recordings, cropped as the network sees them, to be compared with phantoms."""

from __future__ import annotations

import logging
from itertools import chain, islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError
from pipeline.detect.detector import InputTransform
from pipeline.ingest.clip import open_clip
from pipeline.ingest.file_types import is_recording
from pipeline.ingest.frame import ClipError
from pipeline.ingest.quality.frame_quality import FrameQualityAssessor
from pipeline.ingest.sector.region_sector import find_sector_with_regions
from pipeline.settings_tables import IngestSettings

__all__ = ["sample_recording_frames"]

log = logging.getLogger(__name__)

Pictures = NDArray[np.uint8]


def sample_recording_frames(
    folder: Path, number: int, rng: np.random.Generator, settings: IngestSettings
) -> tuple[Pictures, list[str]]:
    """Random frames of all recordings under ``folder``, as equal a number from each as possible.

    Returns (N, 256, 256) uint8 pictures and the source of each. N is smaller than ``number`` if too few frames can be
    used.

    Raises ClutchlightError if there is no usable frame.
    """
    paths = [path for path in sorted(folder.rglob("*")) if is_recording(path) and path.is_file()]
    paths = [paths[index] for index in rng.permutation(len(paths))]
    pictures: list[Pictures] = []
    names: list[str] = []
    for place, path in enumerate(paths):
        # The remaining number is shared equally among the remaining recordings.
        wanted = -(-(number - len(pictures)) // (len(paths) - place))
        if wanted <= 0:
            break
        try:
            chosen = _sample_frames(path, wanted, rng, settings)
        except ClipError as error:
            log.warning("skipped: %s", error)
            continue
        pictures += [picture for _, picture in chosen]
        names += [f"{path.relative_to(folder)}#{index}" for index, _ in chosen]
    if not pictures:
        raise ClutchlightError(f"{folder} has no recording with a usable frame. Name a folder with clips or pictures.")
    return np.stack(pictures), names


def _sample_frames(
    path: Path, wanted: int, rng: np.random.Generator, settings: IngestSettings
) -> list[tuple[int, Pictures]]:
    """Random frames of one recording with their indices. All usable frames are equally likely."""
    chosen: list[tuple[float, int, Pictures]] = []
    with open_clip(path, settings) as clip:
        first_frames = list(islice(clip, settings.sector_lookahead_frames))
        sector, _ = find_sector_with_regions([frame.grey for frame in first_frames], clip.calibration)
        if sector is None:
            return []
        transform, assessor = InputTransform(sector), FrameQualityAssessor(sector, settings)
        for frame in chain(first_frames, clip):
            if not assessor.assess(frame.grey, is_video=frame.time_s is not None).usable:
                continue
            # The frames with the lowest random keys are kept, so that a clip of any length is read once.
            key = rng.random()
            if len(chosen) < wanted or key < chosen[-1][0]:
                picture = (transform.image_to_input(frame.grey) * 255).round().astype(np.uint8)
                chosen = sorted([*chosen, (key, frame.index, picture)], key=lambda entry: entry[0])[:wanted]
    return [(index, picture) for _, index, picture in chosen]
