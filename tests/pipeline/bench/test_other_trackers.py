"""The tracks of other trackers against the ground truth. Their libraries are optional."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.other_trackers import MissingTrackersError, other_trackers, tracker_files, tracker_metrics
from pipeline.bench.results.own_output import read_own_output
from pipeline.bench.results.readers import read_method_results
from pipeline.bench.tracker_libraries import LIBRARIES, TrackerFunction, library_trackers
from pipeline.bench.tracking_input import tracking_clips
from pipeline.bench.tracking_metrics import TrackingMetrics, tracking_metrics
from pipeline.cli.app import main
from pipeline.cli.exit_codes import ExitCode
from pipeline.settings import load_settings
from tests.pipeline.bench.data_set_files import detection_annotation, object_annotation, write_result, write_truth

FRAMES = 12
SETTINGS = load_settings().track
HERE, FAR = [100.0, 100.0, 30.0, 20.0, 0.0], [300.0, 300.0, 30.0, 20.0, 0.0]
Clip = Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two still objects, both found in every frame, and a third detection with a low score where no object is."""
    truth = [
        object_annotation(n, 3, place, track=k) for n in range(1, FRAMES + 1) for k, place in enumerate((HERE, FAR), 1)
    ]
    found = [detection_annotation(n, 3, place, track=9) for n in range(1, FRAMES + 1) for place in (HERE, FAR)]
    found += [detection_annotation(n, 3, [200.0, 200.0, 9.0, 9.0, 0.0], score=0.2) for n in range(1, FRAMES + 1)]
    write_truth(tmp_path / "set", truth, frames=FRAMES)
    write_result(tmp_path / "out", found, frames=FRAMES)
    return tmp_path


def track_by_position(clip: Clip) -> list[NDArray[np.int64]]:
    """A perfect tracker: identity 1 on the left, 2 on the right."""
    return [np.where(corners[:, 0] < 200, 1, 2) for corners, _ in clip]


def test_identities_of_another_tracker_are_measured_on_the_same_detections(folder: Path) -> None:
    data_set = open_data_set(folder / "set")
    found = read_own_output(data_set, folder / "out").found

    def measure(tracker: TrackerFunction) -> TrackingMetrics:
        return tracker_metrics(data_set, found, tracker, minimum_score=SETTINGS.association_score)

    assert measure(track_by_position).hota == pytest.approx(1)
    one_track = measure(lambda clip: [np.ones(len(scores), int) for _, scores in clip])
    assert one_track.idf1 == pytest.approx(0.5)
    no_track = measure(lambda clip: [np.zeros(len(scores), int) for _, scores in clip])
    assert no_track.detection_accuracy == 0


def test_the_libraries_track_still_objects(folder: Path) -> None:
    installed = library_trackers(SETTINGS)
    if not installed:
        pytest.skip("no library of trackers: pip install 'clutchlight[other-trackers]'")
    data_set = open_data_set(folder / "set")
    found = read_own_output(data_set, folder / "out").found
    for name, tracker in installed.items():  # they start a track only after some of the twelve frames
        metrics = tracker_metrics(data_set, found, tracker, minimum_score=SETTINGS.association_score)
        assert metrics.association_accuracy is not None
        assert metrics.association_accuracy > 0.3, name
        empty = (np.zeros((0, 4)), np.zeros(0))
        assert [len(each) for each in tracker([empty, empty])] == [0, 0]


def test_tracks_are_written_as_coco_results(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.bench.other_trackers.other_trackers", lambda settings: {"perfect": track_by_position})
    written = folder / "tracks"
    arguments = ["bench", "other-trackers", str(folder / "set"), str(folder / "out"), "--out", str(written)]
    assert main(arguments) == ExitCode.DONE
    data_set = open_data_set(folder / "set")
    (path,) = tracker_files(written).values()
    results = read_method_results(data_set, path)
    assert results.has_tracks
    assert results.found is not None
    assert tracking_metrics(tracking_clips(data_set.objects, results.found, data_set.frames)).hota == pytest.approx(1)
    before = read_own_output(data_set, folder / "out").found
    for name in ("ellipses", "boxes", "scores", "stage"):
        np.testing.assert_array_equal(getattr(results.found, name), getattr(before, name))


def test_missing_libraries_are_reported_with_the_command_that_installs_them(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for library in LIBRARIES:
        monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(MissingTrackersError, match="not installed"):
        other_trackers(SETTINGS)
    assert main(["bench", "other-trackers", str(folder / "set"), str(folder / "out")]) == ExitCode.USAGE
    assert "pip install 'clutchlight[other-trackers]'" in capsys.readouterr().err


def test_the_command_prints_a_line_for_each_tracker(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pipeline.bench.other_trackers.other_trackers", lambda settings: {"perfect": track_by_position})
    command = ["bench", "other-trackers", str(folder / "set"), str(folder / "out")]
    assert main(command) == ExitCode.DONE
    ours, perfect = capsys.readouterr().out.splitlines()
    assert ours.startswith("ours  ")
    assert perfect.endswith("HOTA 1.000  DetA 1.000  AssA 1.000  IDF1 1.000")
    assert main([*command, "--json"]) == ExitCode.DONE
    assert json.loads(capsys.readouterr().out)["perfect"]["hota"] == pytest.approx(1)
