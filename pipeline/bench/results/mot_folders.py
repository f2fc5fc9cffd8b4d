"""MOTChallenge: a folder for each clip with ``seqinfo.ini`` and ``det/det.txt`` or ``gt/gt.txt``, or a file CLIP.txt.

A clip is called ANIMAL_CLIP, as ``clutchlight bench export --format mot`` names it. ``det/det.txt`` is read where there
is one, since a copied data set has the truth in ``gt/gt.txt``; tools for labelling write their tracks to the latter.
Files CLIP.txt, also in a folder ``data``, are how TrackEval keeps the results of trackers.

A line has frame (from 1), track (-1 for none), left, top, width, height, score (0 to 1) and, where it is known, stage
(1 follicle, 2 thin-shelled, 3 calcified). Only a box is known of an outline, so it is taken as the ellipse that fills
the box. Format: Dendorfer et al. 2020, "MOT20", arXiv 2003.09003.
"""

from __future__ import annotations

from collections.abc import Iterator
from configparser import ConfigParser
from configparser import Error as ConfigParserError
from pathlib import Path
from typing import Any

from models.stages import STAGES
from pipeline.bench.exported_detections import detection_table
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.coco_results import checked_detection
from pipeline.bench.results.method_results import MethodResults, ResultsError
from pipeline.bench.sequences import clips_by_sequence

__all__ = ["read_mot_folders"]

_COLUMNS_NEEDED = 7


def read_mot_folders(data_set: DataSet, path: Path) -> MethodResults | None:
    """As `ResultsReader`. A clip without a file has no detections."""
    files = dict(_files(path)) if path.is_dir() else {}
    if not files:
        return None
    clips = clips_by_sequence(data_set)
    if unknown := sorted(set(files) - set(clips)):
        raise ResultsError(
            f"{path}: {unknown[0]} is no clip of {data_set.name}. Clips are called ANIMAL_CLIP, such as "
            f"{next(iter(clips), 'AF-0001_left-1')}."
        )
    frame_index = {name: index for index, name in enumerate(data_set.frames.ids)}
    rows: list[tuple[int, dict[str, Any]]] = []
    for sequence, file in files.items():
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            if not line.strip():
                continue
            try:
                frame, detection = _detection(line)
                rows.append((frame_index[*clips[sequence], frame], detection))
            except (ValueError, KeyError) as error:
                raise ResultsError(
                    f"{file}, line {number}: this is no detection in a frame of the clip ({error!r}). Write frame, "
                    "track, left, top, width, height and a score from 0 to 1, separated by commas."
                ) from error
    return MethodResults(
        found=detection_table(rows, frames_used=len(data_set.frames.ids)),
        has_tracks=any(row["track_id"] for _, row in rows),
    )


def _files(path: Path) -> Iterator[tuple[str, Path]]:
    """Name of the sequence and file of each clip."""
    for info in sorted(path.glob("*/seqinfo.ini")):
        texts = [info.parent / kind / f"{kind}.txt" for kind in ("det", "gt")]
        present = [text for text in texts if text.is_file()]
        if not present:
            raise ResultsError(f"{info.parent} has neither det/det.txt nor gt/gt.txt. Write the detections there.")
        yield _sequence_name(info), present[0]
    for text in [*sorted(path.glob("*.txt")), *sorted(path.glob("data/*.txt"))]:
        yield text.stem, text


def _sequence_name(info: Path) -> str:
    parser = ConfigParser(interpolation=None)
    try:
        parser.read_string(info.read_text(encoding="utf-8"))
    except (ConfigParserError, ValueError) as error:
        raise ResultsError(f"{info} cannot be read ({error}). Write it as MOTChallenge does.") from error
    return parser.get("Sequence", "name", fallback=info.parent.name)


def _detection(line: str) -> tuple[int, dict[str, Any]]:
    """The frame, from 0, and the detection. Raises ValueError."""
    values = [float(value) for value in line.split(",")]
    if len(values) < _COLUMNS_NEEDED:
        raise ValueError(f"{len(values)} numbers")
    frame, track, left, top, width, height, score = values[:_COLUMNS_NEEDED]
    stage = int(values[7]) if len(values) > _COLUMNS_NEEDED and values[7] in range(1, len(STAGES) + 1) else None
    box = [left, top, width, height]
    return int(frame) - 1, checked_detection(
        {"bbox": box, "score": score, "track_id": int(track), "category_id": stage}
    )
