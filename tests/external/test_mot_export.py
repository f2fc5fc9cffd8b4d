"""TrackEval reads exported MOTChallenge folders as they are, and finds in them what our own table says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trackeval

from pipeline.bench.data_set_metrics import measure_data_set
from pipeline.bench.export.exported_clips import exported_clips
from pipeline.bench.export.mot_export import write_mot
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.results.readers import read_method_results
from pipeline.settings import load_settings
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder

SETTINGS = load_settings()
ANIMALS, FRAMES = ("AF-0001", "AF-0002"), 40


def evaluated(truth: Path, trackers: Path) -> tuple[float, float]:
    """HOTA and IDF1 over all clips, by TrackEval's own reader of MOTChallenge folders."""
    quiet = {"PRINT_CONFIG": False, "PRINT_RESULTS": False, "PRINT_ONLY_COMBINED": True, "TIME_PROGRESS": False}
    files = {"OUTPUT_SUMMARY": False, "OUTPUT_DETAILED": False, "PLOT_CURVES": False, "OUTPUT_EMPTY_CLASSES": False}
    data_set = trackeval.datasets.MotChallenge2DBox(
        {
            "GT_FOLDER": str(truth),
            "TRACKERS_FOLDER": str(trackers),
            "SEQ_INFO": {folder.name: None for folder in sorted(truth.iterdir())},
            "SKIP_SPLIT_FOL": True,
            "DO_PREPROC": False,
            "PRINT_CONFIG": False,
        }
    )
    metrics = [trackeval.metrics.HOTA(), trackeval.metrics.Identity({"PRINT_CONFIG": False})]
    results, _ = trackeval.Evaluator({**quiet, **files}).evaluate([data_set], metrics)
    combined = results["MotChallenge2DBox"]["theirs"]["COMBINED_SEQ"]["pedestrian"]
    return float(combined["HOTA"]["HOTA"].mean()), float(combined["Identity"]["IDF1"])


def test_trackeval_and_our_table_agree_on_exported_files(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    objects = [
        object_annotation(image, stage, [60.0 * track, 40 + image % FRAMES, 20.0, 15.0, 0.0], track=track)
        for image in range(1, len(ANIMALS) * FRAMES + 1)
        for track, stage in ((1, 3), (2, 1))
    ]
    for seed, animal in enumerate(ANIMALS):
        write_exam_folder(tmp_path / "set", animal, {"left-1.mp4": 1}, date=DATE, seed=seed)
    write_truth(tmp_path / "set", objects, animals=ANIMALS, frames=FRAMES)
    data_set = open_data_set(tmp_path / "set")
    write_mot(data_set, exported_clips(data_set, SETTINGS.ingest), tmp_path / "truth")

    tracked = tmp_path / "trackers" / "theirs" / "data"
    tracked.mkdir(parents=True)
    for folder in (tmp_path / "truth").iterdir():
        rows = np.loadtxt(folder / "gt" / "gt.txt", delimiter=",")
        rows = rows[rng.random(len(rows)) < 0.8]  # some are missed, all are moved, and tracks break in the middle
        rows[:, 2:4] += rng.normal(0, 4, (len(rows), 2))
        rows[:, 1] += 2 * (rows[:, 0] > FRAMES / 2)
        lines = [f"{r[0]:.0f},{r[1]:.0f},{r[2]:.2f},{r[3]:.2f},{r[4]:.2f},{r[5]:.2f},0.9,-1,-1,-1" for r in rows]
        (tracked / f"{folder.name}.txt").write_text("\n".join([*lines, ""]))
    ours = measure_data_set(data_set, read_method_results(data_set, tracked), SETTINGS).tracking
    assert ours.hota is not None
    assert 0.2 < ours.hota < 0.9
    assert evaluated(tmp_path / "truth", tmp_path / "trackers") == pytest.approx((ours.hota, ours.idf1))
