"""The name of each clip of a data set as a sequence of MOTChallenge: one folder name for animal and clip."""

from __future__ import annotations

from pipeline.bench.ground_truth import DataSet
from pipeline.exams.folder_names import animal_folder, clip_file_stems

__all__ = ["clips_by_sequence"]


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
