"""The formats of results, tried in turn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.coco_results import read_coco_results
from pipeline.bench.results.count_table import read_count_table
from pipeline.bench.results.method_results import MethodResults, ResultsError, ResultsReader
from pipeline.bench.results.mot_folders import read_mot_folders
from pipeline.bench.results.own_output import read_if_own_output
from pipeline.bench.results.yolo_labels import read_yolo_labels

__all__ = ["READERS", "read_method_results"]

READERS: tuple[ResultsReader, ...] = (
    read_if_own_output,
    read_coco_results,
    read_mot_folders,
    read_yolo_labels,
    read_count_table,
)
"""An output folder of our own holds tables and JSON, too, so it is tried first, and alone where it is one."""


def read_method_results(data_set: DataSet, path: Path) -> MethodResults:
    """The results of one method in a file or folder: its detections in one format, a table of counts, or both.

    Raises ResultsError if there are none, or if they cannot be read or are not of this data set.
    """
    combined = MethodResults()
    for reader in READERS:
        results = reader(data_set, path)
        if results is None:
            continue
        if results.exams:
            return results
        if results.found is not None and combined.found is not None:
            raise ResultsError(f"{path} holds detections in two formats. Keep one of them.")
        if results.found is not None:
            combined = replace(combined, found=results.found, has_tracks=results.has_tracks)
        if results.counts is not None:
            combined = replace(combined, counts=results.counts)
    if combined.found is None and combined.counts is None:
        raise ResultsError(
            f"{path} holds no results that can be read. Name the output folder of clutchlight batch, COCO results, "
            "MOTChallenge folders, YOLO labels, or a CSV table with the columns animal, date and shelled."
        )
    return combined
