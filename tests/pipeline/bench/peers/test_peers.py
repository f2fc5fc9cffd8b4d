"""Each classical method finds drawn eggs, better after tuning, with the same tries and the same frames."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.ellipse import overlap
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.methods.method import MethodError, load_method
from pipeline.bench.methods.tuning import read_tuning_clips, shelled_f1, tune
from pipeline.bench.peers import edge_drawing
from pipeline.bench.peers.available import available_peers
from pipeline.settings import load_settings
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder

PEERS = available_peers()  # edge drawing only where another OpenCV is installed
INGEST = load_settings().ingest
FRAMES = 40
EGG = [200.0, 240.0, 50.0, 50.0, 0.0]


def egg_on_speckle() -> NDArray[np.uint8]:
    """A dark disc with a bright rim on speckle, 512 px high, so that the peers work at half its size."""
    picture = np.random.default_rng(2).uniform(60, 140, (512, 640)).astype(np.uint8)
    centre, radius = (200, 240), 50
    cv2.circle(picture, centre, radius, 10, -1)
    cv2.circle(picture, centre, radius, 230, 4)
    return picture


@pytest.mark.parametrize("peer", PEERS)
def test_a_drawn_egg_is_found_at_its_place_in_the_frame(peer: str) -> None:
    (outlines,) = load_method(peer).outlines([egg_on_speckle()])
    assert outlines
    assert max(overlap([each["ellipse"] for each in outlines], EGG)[:, 0]) > 0.6
    assert all(0.5 <= each["score"] <= 1 for each in outlines)


@pytest.mark.parametrize("peer", PEERS)
def test_every_setting_has_a_range_around_its_default(peer: str) -> None:
    method = load_method(peer)
    assert set(method.ranges) == set(method.settings)
    assert all(each.low <= method.settings[name] <= each.high for name, each in method.ranges.items())
    assert list(method.outlines([np.zeros((64, 64), np.uint8)])) == [[]]


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> DataSet:
    """Two animals, each with a bright ring that is in the picture in ten frames."""
    folder: Path = tmp_path_factory.mktemp("data") / "set"
    animals = ("AF-0001", "AF-0002")
    for seed, animal in enumerate(animals):
        write_exam_folder(folder, animal, {"left-1.mp4": 1}, date=DATE, seed=seed)
    eggs = [
        object_annotation(number * FRAMES + frame + 1, 3, [40.0, 50.0, 12.0, 12.0, 0.0], track=1)
        for number in range(len(animals))
        for frame in range(15, 25)
    ]
    write_truth(folder, eggs, animals=animals, frames=FRAMES, carried=1, crossed=1)
    return open_data_set(folder)


def test_tuning_takes_evenly_spaced_frames_of_every_clip(data_set: DataSet) -> None:
    clips = read_tuning_clips(data_set, 20, INGEST)
    assert [len(clip.pictures) for clip in clips] == [10, 10]
    assert np.diff(clips[0].frame).tolist() == pytest.approx([39 / 9] * 9, abs=1)
    assert clips[1].frame.min() >= FRAMES


def test_the_best_of_the_tries_wins_and_a_seed_repeats_it(data_set: DataSet) -> None:
    clips = read_tuning_clips(data_set, 20, INGEST)
    method = load_method(PEERS[0])
    too_large = replace(method, settings={**method.settings, "smallest_px": 60, "largest_px": 70})
    tuned = tune(too_large, data_set, clips, tries=8, seed=3)
    assert tuned.f1_untuned == 0.0
    assert tuned.f1 > 0.5
    assert (tuned.frames, tuned.tries) == (20, 8)
    assert shelled_f1(tuned.method, data_set, clips) == tuned.f1
    assert tune(too_large, data_set, clips, tries=8, seed=3).method.settings == tuned.method.settings
    fixed = tune(replace(method, ranges={}), data_set, clips, tries=8, seed=3)
    assert (fixed.tries, fixed.method.settings) == (1, method.settings)


def test_the_f1_counts_misses_and_false_detections(data_set: DataSet) -> None:
    clips = read_tuning_clips(data_set, 80, INGEST)
    perfect = replace(
        load_method(PEERS[0]), function=lambda frame: [{"ellipse": [40, 50, 12, 12, 0], "score": 1.0}], settings={}
    )
    # It finds all 20 eggs, and claims one in the other 60 frames, too.
    assert shelled_f1(perfect, data_set, clips) == pytest.approx(2 * 20 / (20 + 80))
    silent = replace(perfect, function=lambda frame: [])
    assert shelled_f1(silent, data_set, clips) == 0.0


def test_a_missing_library_is_named_with_the_command_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    assert PEERS[:2] == [f"pipeline.bench.peers.{name}:find" for name in ("hough_circles", "blob_detector")]
    monkeypatch.delattr(cv2, "ximgproc", raising=False)
    assert "pipeline.bench.peers.edge_drawing:find" not in available_peers()
    with pytest.raises(MethodError, match="pip install opencv-contrib-python-headless"):
        edge_drawing.find(egg_on_speckle())
    monkeypatch.setitem(sys.modules, "skimage.feature", None)
    with pytest.raises(MethodError, match="pip install 'clutchlight"):
        list(load_method("pipeline.bench.peers.scale_space_blobs:find").outlines([egg_on_speckle()]))
