"""Frames of real recordings, cut out as the network sees them, to be laid beside phantoms."""

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
from pipeline.settings import IngestSettings

__all__ = ["sample_recording_frames"]

log = logging.getLogger(__name__)

Pictures = NDArray[np.uint8]


def sample_recording_frames(
    folder: Path, number: int, rng: np.random.Generator, settings: IngestSettings
) -> tuple[Pictures, list[str]]:
    """(N, 256, 256) uint8 pictures at random from all recordings anywhere under ``folder``, as evenly from each as can
    be, and where each is from. Fewer than ``number`` where frames or recordings cannot be used.

    Raises ClutchlightError if there is no usable frame at all.
    """
    paths = [path for path in sorted(folder.rglob("*")) if is_recording(path) and path.is_file()]
    paths = [paths[index] for index in rng.permutation(len(paths))]
    pictures: list[Pictures] = []
    names: list[str] = []
    for place, path in enumerate(paths):
        # What remains is shared among the recordings that remain.
        wanted = -(-(number - len(pictures)) // (len(paths) - place))
        if wanted <= 0:
            break
        try:
            chosen = _some(path, wanted, rng, settings)
        except ClipError as error:
            log.warning("left out: %s", error)
            continue
        pictures += [picture for _, picture in chosen]
        names += [f"{path.relative_to(folder)}#{index}" for index, _ in chosen]
    if not pictures:
        raise ClutchlightError(f"{folder} holds no recording with a usable frame. Name a folder of clips or pictures.")
    return np.stack(pictures), names


def _some(path: Path, wanted: int, rng: np.random.Generator, settings: IngestSettings) -> list[tuple[int, Pictures]]:
    """Frames of one recording, each as likely as any other, with their indices."""
    chosen: list[tuple[float, int, Pictures]] = []
    with open_clip(path, settings) as clip:
        ahead = list(islice(clip, settings.sector_lookahead_frames))
        sector, _ = find_sector_with_regions([frame.grey for frame in ahead], clip.calibration)
        if sector is None:
            return []
        transform, judge = InputTransform(sector), FrameQualityAssessor(sector, settings)
        for frame in chain(ahead, clip):
            if not judge.assess(frame.grey, is_video=frame.time_s is not None).usable:
                continue
            # The frames with the lowest lots stay, so that a clip of any length is read once and not kept.
            lot = rng.random()
            if len(chosen) < wanted or lot < chosen[-1][0]:
                picture = (transform.image_to_input(frame.grey) * 255).round().astype(np.uint8)
                chosen = sorted([*chosen, (lot, frame.index, picture)], key=lambda one: one[0])[:wanted]
    return [(index, picture) for _, index, picture in chosen]
