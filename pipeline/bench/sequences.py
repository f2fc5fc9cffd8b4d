"""The name of each clip of a data set outside it: one folder name for animal and clip; and of each picture."""

from __future__ import annotations

from pipeline.bench.ground_truth import DataSet
from pipeline.exams.folder_names import animal_folder, clip_file_stems

__all__ = ["clips_by_sequence", "picture_name", "picture_names"]


def clips_by_sequence(data_set: DataSet) -> dict[str, tuple[str, str]]:
    """Animal and clip of each sequence, ANIMAL_CLIP without the suffix of the file, in the order of the frames.

    Two that would share a name get a number.
    """
    files: dict[str, dict[str, None]] = {}  # in order, each once
    for animal, clip, _ in data_set.frames.ids:
        files.setdefault(animal, {})[clip] = None
    clips: dict[str, tuple[str, str]] = {}
    for animal, names in files.items():
        for clip, stem in clip_file_stems(list(names)).items():
            name = plain = f"{animal_folder(animal)}_{stem}"
            number = 1
            while name in clips:
                number += 1
                name = f"{plain}_{number}"
            clips[name] = animal, clip
    return clips


def picture_name(sequence: str, frame: int) -> str:
    """The name of one frame, from 0, of a sequence, without suffix."""
    return f"{sequence}_{frame:06d}"


def picture_names(data_set: DataSet) -> list[str]:
    """That of each frame of the data set, in its order."""
    sequences = {clip: name for name, clip in clips_by_sequence(data_set).items()}
    return [picture_name(sequences[animal, clip], frame) for animal, clip, frame in data_set.frames.ids]
