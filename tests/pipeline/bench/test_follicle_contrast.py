"""True follicles are judged by what the recordings show of them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.bench.data_set_metrics import DataSetMetrics
from pipeline.bench.follicle_contrast import follicle_snr
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import (
    DATE,
    SETTINGS,
    detection_annotation,
    measure_folder,
    object_annotation,
    write_result,
    write_truth,
)
from tests.pipeline.blob_finder import film, write_video

BRIGHT, FAINT, EGG = [50.0, 80.0, 12.0, 12.0, 0.0], [100.0, 80.0, 12.0, 12.0, 0.0], [140.0, 50.0, 12.0, 12.0, 0.0]


def write_data_set(folder: Path) -> None:
    """Two frames, each with a bright follicle, one that is as grey as its surroundings, and an egg."""
    truth = [
        object_annotation(frame, stage, ellipse) for frame in (1, 2) for stage, ellipse in ((1, BRIGHT), (1, FAINT))
    ]
    write_truth(folder, [*truth, object_annotation(2, 3, EGG)])
    pictures = film(0, frames=2)
    for picture in pictures:
        cv2.circle(picture, (50, 80), 12, 200, -1)
        cv2.circle(picture, (140, 50), 12, 200, -1)
    write_video(folder / "AF-1" / DATE / "left-1.mp4", pictures)


@pytest.fixture
def metrics(tmp_path: Path) -> DataSetMetrics:
    """One faint follicle is found, one is not; there is one false follicle, with a low score in the average."""
    write_data_set(tmp_path / "set")
    found = [
        detection_annotation(1, 1, BRIGHT),
        detection_annotation(2, 1, BRIGHT),
        detection_annotation(2, 1, FAINT),
        detection_annotation(2, 1, [30.0, 30.0, 10.0, 10.0, 0.0], score=0.6),
    ]
    write_result(tmp_path / "out", found)
    return measure_folder(tmp_path)


def test_the_ratio_is_of_the_recording_and_only_of_follicles(tmp_path: Path) -> None:
    write_data_set(tmp_path)
    snr = follicle_snr(open_data_set(tmp_path), SETTINGS.ingest)
    assert (snr[[0, 2]] > 10).all()
    assert (snr[[1, 3]] < 3).all()
    assert np.isnan(snr[4])


def test_without_the_recording_nothing_is_known(tmp_path: Path) -> None:
    write_data_set(tmp_path)
    (tmp_path / "AF-1" / DATE / "left-1.mp4").write_bytes(b"")
    assert np.isnan(follicle_snr(open_data_set(tmp_path), SETTINGS.ingest)).all()


def test_faint_follicles_are_neither_rewarded_nor_punished(metrics: DataSetMetrics) -> None:
    every, distinct = metrics.detection.classes["follicle"], metrics.detection.distinct_follicles
    assert distinct is not None
    assert (every.true_objects, every.recall, every.precision) == (4, 3 / 4, 3 / 4)
    assert (distinct.true_objects, distinct.recall, distinct.precision) == (2, 1.0, 2 / 3)
    # Three of four follicles come before the false one: COCO's mean over the recalls 0, 0.01 ... 1.
    assert (every.ap50, distinct.ap50) == (pytest.approx(76 / 101), 1.0)


def test_the_table_has_both_lines(metrics: DataSetMetrics) -> None:
    lines = [line.split()[:6] for line in metrics_table([metrics]).splitlines() if line.startswith("  follicle")]
    assert lines[0] == ["follicle", "4", "0.752", "0.752", "0.750", "0.750"]
    assert lines[1] == ["follicle,", "SNR", ">=", "3", "2", "1.000"]
    assert metrics.document()["detection"]["distinct_follicles"]["recall"] == 1.0
