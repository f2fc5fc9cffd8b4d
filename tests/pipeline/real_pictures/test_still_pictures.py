"""Ovals, egg-free recordings and look-alikes with drawn pictures, whose figures are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.ellipse import circumference
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.real_pictures.egg_free import measure_egg_free
from pipeline.real_pictures.found_objects import ObjectFinder, recordings_under
from pipeline.real_pictures.look_alikes import LookAlikeMetrics, measure_look_alikes, read_look_alikes
from pipeline.real_pictures.ovals import measure_ovals, read_ovals
from pipeline.real_pictures.region_overlap import RealPicturesError, region_overlaps
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_video
from tests.pipeline.real_pictures.pictures import OVAL, free_picture, oval_picture, write_look_alikes, write_ovals

FINDER = ObjectFinder(BlobFinder(), load_settings())


class FollicleFinder(BlobFinder):
    """Every bright patch is a follicle."""

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        return [
            replace(each, stage_probabilities=each.stage_probabilities[:, ::-1])
            for each in super().detect(frames, sector)
        ]


def ignore_progress(done: int, total: int) -> None:
    assert 0 < done <= total


def test_overlaps_with_a_region_are_those_of_areas() -> None:
    region = np.zeros((60, 80), bool)
    region[10:50, 20:40] = True
    inside, twice, away = [29.5, 29.5, 10.0, 10.0, 0.0], [29.5, 29.5, 400.0, 400.0, 0.0], [70.0, 30.0, 5.0, 5.0, 0.0]
    overlaps, dice = region_overlaps(np.array([inside, twice, away]), region)
    share = np.pi * 100 / 800
    assert overlaps == pytest.approx([share, 800 / 4800, 0], abs=0.01)
    assert dice == pytest.approx([2 * share / (1 + share), 2 * 800 / 5600, 0], abs=0.01)


def test_ovals_are_found_and_measured(tmp_path: Path) -> None:
    x, y, a, b = OVAL
    length_px = float(circumference([x, y, a + 1.0, b + 1.0, 0.0])[0])  # the blob finder's outlines are 1 px wide
    write_ovals(tmp_path / "set", with_oval=[True, True, False], mm_per_px=0.5, length_mm=0.5 * length_px - 3)
    metrics = measure_ovals(read_ovals(tmp_path / "set"), FINDER, ignore_progress)
    assert (metrics.pictures, metrics.refused, metrics.found) == (3, 0, pytest.approx(2 / 3))
    assert metrics.median_dice == pytest.approx(1, abs=0.03)
    assert metrics.circumference_bias_mm == pytest.approx(3, abs=0.3)
    assert metrics.circumference_error_mm == metrics.circumference_bias_mm
    assert (metrics.extra_per_picture, metrics.follicles_per_picture) == (0, 0)


def test_an_outline_elsewhere_is_extra_and_not_the_oval(tmp_path: Path) -> None:
    write_ovals(tmp_path / "set", with_oval=[True], mm_per_px=0.5, length_mm=60)
    cv2.imwrite(str(tmp_path / "set" / "0-mask.png"), np.eye(*free_picture(0).shape, dtype=np.uint8) * 255)
    metrics = measure_ovals(read_ovals(tmp_path / "set"), FINDER, ignore_progress)
    assert (metrics.found, metrics.median_dice, metrics.extra_per_picture) == (0, None, 1)


def test_a_wrong_truth_is_named(tmp_path: Path) -> None:
    with pytest.raises(RealPicturesError, match=r"truth\.csv cannot be read"):
        read_ovals(tmp_path)
    write_ovals(tmp_path / "set", with_oval=[True], mm_per_px=0.5, length_mm=60)
    cv2.imwrite(str(tmp_path / "set" / "0-mask.png"), np.zeros((9, 9), np.uint8))
    with pytest.raises(RealPicturesError, match="another size"):
        measure_ovals(read_ovals(tmp_path / "set"), FINDER, ignore_progress)
    (tmp_path / "set" / "truth.csv").write_text("file,mask\n0.png,0-mask.png\n")
    with pytest.raises(RealPicturesError, match="circumference_mm"):
        read_ovals(tmp_path / "set")


def test_false_detections_and_false_counts_of_recordings_without_eggs(tmp_path: Path) -> None:
    write_video(tmp_path / "a" / "clip.mp4", film(1, frames=30))  # it shows an egg in 20 of 30 frames
    cv2.imwrite(str(tmp_path / "empty.png"), free_picture(3))
    cv2.imwrite(str(tmp_path / "black.png"), np.zeros((160, 192), np.uint8))
    files = recordings_under(tmp_path)
    metrics = measure_egg_free("free", files, FINDER, ignore_progress)
    assert (metrics.recordings, metrics.refused, metrics.frames) == (2, 1, 31)
    assert metrics.shelled_per_frame == pytest.approx(20 / 31, abs=0.15)
    assert (metrics.shelled_per_recording, metrics.recordings_with_shelled) == (0.5, 1)
    assert (metrics.follicles_per_frame, metrics.recordings_with_follicles) == (0, 0)
    nothing = measure_egg_free("nothing", [], FINDER, ignore_progress)
    assert (nothing.shelled_per_frame, nothing.shelled_per_recording) == (None, None)


def test_a_region_is_taken_for_what_its_outline_says(tmp_path: Path) -> None:
    write_look_alikes(tmp_path)
    pictures = read_look_alikes(tmp_path)
    assert [each.mask.name for each in pictures] == ["VES-01.png"]
    follicles = ObjectFinder(FollicleFinder(), load_settings())
    untouched = LookAlikeMetrics("#800000", 1, 0, 0)
    assert measure_look_alikes(pictures, FINDER, ignore_progress) == [
        LookAlikeMetrics("#008000", 1, as_follicles=0, as_shelled=1),
        untouched,
    ]
    assert measure_look_alikes(pictures, follicles, ignore_progress) == [
        LookAlikeMetrics("#008000", 1, as_follicles=1, as_shelled=0),
        untouched,
    ]


def test_masks_are_named_as_their_pictures(tmp_path: Path) -> None:
    with pytest.raises(RealPicturesError, match="no picture with a mask"):
        read_look_alikes(tmp_path)
    (tmp_path / "masks").mkdir()
    cv2.imwrite(str(tmp_path / "1.png"), oval_picture(0))
    cv2.imwrite(str(tmp_path / "masks" / "1.png"), np.zeros((9, 9, 3), np.uint8))
    pictures = read_look_alikes(tmp_path)
    assert [each.path.name for each in pictures] == ["1.png"]
    with pytest.raises(RealPicturesError, match="another size"):
        measure_look_alikes(pictures, FINDER, ignore_progress)
