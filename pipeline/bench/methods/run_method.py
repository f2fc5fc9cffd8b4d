"""Runs a method over the clips of a data set and writes what it found as COCO results."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.method import Method, Picture
from pipeline.bench.methods.usable_clips import UsableClip, usable_clips
from pipeline.settings_tables import IngestSettings
from pipeline.store.atomic_write import write_atomically

__all__ = ["run_method"]


def run_method(
    data_set: DataSet,
    method: Method,
    written_to: Path,
    settings: IngestSettings,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> None:
    """Write the detections of a method in all clips of a data set as COCO results.

    progress : called with the clips done and their number

    Raises MethodError if the method fails, and OutputError if the file cannot be written.
    """
    clips = usable_clips(data_set)
    detections: list[dict[str, Any]] = []
    progress(0, len(clips))
    for done, clip in enumerate(clips, 1):
        detections += _detections(data_set, clip, method, settings)
        progress(done, len(clips))
    write_atomically(written_to, [json.dumps(detections, allow_nan=False).encode()])


def _detections(
    data_set: DataSet, clip: UsableClip, method: Method, settings: IngestSettings
) -> Iterator[dict[str, Any]]:
    given: list[int] = []  # frames of the data set, in the order in which the method takes them

    def pictures(frames: Iterator[tuple[int, Picture]]) -> Iterator[Picture]:
        for index, picture in frames:
            given.append(index)
            yield picture

    with clip.frames(settings) as frames:
        # A method of clips may take several frames before it answers the first.
        for number, outlines in enumerate(method.outlines(pictures(frames))):
            image = data_set.frames.image_ids[given[number]]
            yield from ({"image_id": image, **outline} for outline in outlines)
