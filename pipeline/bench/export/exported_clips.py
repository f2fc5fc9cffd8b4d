"""The clips of a data set as they are exported: every frame of the ground truth, as it was recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.ground_truth import DataSet, rows_by_frame
from pipeline.bench.methods.method import Picture
from pipeline.bench.methods.usable_clips import usable_clips
from pipeline.bench.sequences import clips_by_sequence
from pipeline.ingest.clip import Clip, open_clip
from pipeline.settings_tables import IngestSettings
from pipeline.store.atomic_write import write_atomically

__all__ = ["DataSetWriter", "ExportedClip", "ExportedFrame", "exported_clips", "is_held_back", "write_picture"]

# Every fourth animal is held back for validation where a format has splits. Common practice, no source.
_HELD_BACK = 4


@dataclass(frozen=True)
class ExportedFrame:
    """number : in the clip, from 0;  picture : (H, W) uint8;  objects : (N,) rows of the true objects in it"""

    number: int
    picture: Picture
    objects: NDArray[np.int64]


@dataclass(frozen=True)
class ExportedClip:
    """One clip. sequence : its name, see `clips_by_sequence`;  frame_rate : per second, None if unknown

    frames : in order of time; they can be iterated once
    """

    sequence: str
    animal: str
    file: str
    width: int
    height: int
    frame_rate: float | None
    frames: Iterator[ExportedFrame]


# Writes the clips of a data set into a folder.
DataSetWriter = Callable[[DataSet, Iterator[ExportedClip], Path], None]


def exported_clips(
    data_set: DataSet,
    settings: IngestSettings,
    *,
    every: int = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Iterator[ExportedClip]:
    """The clips whose recordings are there, each to be read before the next one is asked for.

    every : only each such frame;  progress : called with the clips done and their number

    Raises ClipError if a recording cannot be read.
    """
    objects = rows_by_frame(data_set.objects.frame, data_set.frames)
    sequences = {clip: name for name, clip in clips_by_sequence(data_set).items()}
    clips = usable_clips(data_set)
    progress(0, len(clips))
    for done, each in enumerate(clips, 1):
        with open_clip(each.clip.path, settings) as recording:
            yield ExportedClip(
                sequence=sequences[each.animal, each.clip.file],
                animal=each.animal,
                file=each.clip.file,
                width=recording.width,
                height=recording.height,
                frame_rate=recording.frame_rate,
                frames=_frames(recording, each.frame_index, objects, every),
            )
        progress(done, len(clips))


def is_held_back(data_set: DataSet, animal: str) -> bool:
    """Whether an animal is for validation. All clips of an animal are on one side, since they show the same eggs."""
    return list(data_set.animals).index(animal) % _HELD_BACK == _HELD_BACK - 1


def write_picture(path: Path, picture: Picture) -> None:
    """Write a grey picture as PNG, without loss. Raises OutputError."""
    _, encoded = cv2.imencode(".png", picture)
    write_atomically(path, [encoded.tobytes()])


def _frames(
    recording: Clip, frame_index: dict[int, int], objects: list[NDArray[np.int64]], every: int
) -> Iterator[ExportedFrame]:
    for frame in recording:
        if frame.index in frame_index and frame.index % every == 0:
            yield ExportedFrame(frame.index, frame.grey, objects[frame_index[frame.index]])
