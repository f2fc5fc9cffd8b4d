"""Another tracker's identities held against the truth; the libraries themselves are optional."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.bench.exported_detections import read_exported_detections, result_folders
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.other_trackers import other_trackers, tracker_metrics
from tests.pipeline.bench.data_set_files import detection_annotation, object_annotation, write_result, write_truth

FRAMES = 12
HERE, FAR = [100.0, 100.0, 30.0, 20.0, 0.0], [300.0, 300.0, 30.0, 20.0, 0.0]
Clip = Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two objects that stand still, both found in every frame, with a faint third that is nothing."""
    truth = [
        object_annotation(n, 3, place, track=k) for n in range(1, FRAMES + 1) for k, place in enumerate((HERE, FAR), 1)
    ]
    seen = [detection_annotation(n, 3, place, track=9) for n in range(1, FRAMES + 1) for place in (HERE, FAR)]
    seen += [detection_annotation(n, 3, [200.0, 200.0, 9.0, 9.0, 0.0], score=0.2) for n in range(1, FRAMES + 1)]
    write_truth(tmp_path / "set", truth, frames=FRAMES)
    write_result(tmp_path / "out", seen, frames=FRAMES)
    return tmp_path


def by_place(clip: Clip) -> list[NDArray[np.int64]]:
    """A tracker that knows: identity 1 on the left, 2 on the right."""
    return [np.where(corners[:, 0] < 200, 1, 2) for corners, _ in clip]


def test_identities_of_another_tracker_are_measured_on_the_same_detections(folder: Path) -> None:
    data_set = open_data_set(folder / "set")
    seen = read_exported_detections(data_set, result_folders(folder / "out"))
    assert tracker_metrics(data_set, seen, by_place).hota == pytest.approx(1)
    one_name = tracker_metrics(data_set, seen, lambda clip: [np.ones(len(scores), int) for _, scores in clip])
    assert one_name.idf1 == pytest.approx(0.5)
    assert (
        tracker_metrics(
            data_set, seen, lambda clip: [np.zeros(len(scores), int) for _, scores in clip]
        ).detection_accuracy
        == 0
    )


def test_the_libraries_follow_what_stands_still(folder: Path) -> None:
    pytest.importorskip("trackers", reason="pip install 'clutchlight[rivals]'")
    pytest.importorskip("norfair", reason="pip install 'clutchlight[rivals]'")
    data_set = open_data_set(folder / "set")
    seen = read_exported_detections(data_set, result_folders(folder / "out"))
    for name, rival in other_trackers().items():  # they begin a track only after some frames, of twelve
        assert tracker_metrics(data_set, seen, rival).association_accuracy > 0.3, name
