"""Tracked sweeps and constructed motion, with a way and a count that are known."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.real_pictures.constructed_motion import (
    SlidWindow,
    background_piece,
    join_pieces,
    measure_constructed_motion,
    oval_piece,
)
from pipeline.real_pictures.found_objects import ObjectFinder
from pipeline.real_pictures.meta_image import read_meta_image
from pipeline.real_pictures.region_overlap import RealPicturesError
from pipeline.real_pictures.tracked_sweeps import measure_tracked_sweeps, tracked_files, true_turns, way_along
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder
from tests.pipeline.real_pictures.pictures import OVAL, free_picture, oval_picture, write_ovals, write_sequence

FINDER = ObjectFinder(BlobFinder(), load_settings())


def ignore_progress(done: int, total: int) -> None:
    assert 0 < done <= total


def test_a_sequence_is_read_with_the_places_of_the_probe(tmp_path: Path) -> None:
    pictures = np.stack([free_picture(seed) for seed in range(4)])
    write_sequence(tmp_path / "a.mha", pictures, [0, 2, 4, 6], lost=[2])
    (path,) = tracked_files(tmp_path)
    sequence = read_meta_image(path)
    assert (np.stack([frame.grey for frame in sequence]) == pictures).all()
    assert (sequence.width, sequence.height, sequence.frame_rate) == (192, 160, pytest.approx(10))
    # The reference's own place and turn cancel.
    assert sequence.probe_mm[[0, 1, 3]] == pytest.approx(np.array([[0, 0, 0], [0, 2, 0], [0, 6, 0]]), abs=1e-6)
    assert np.isnan(sequence.probe_mm[2]).all()
    assert way_along(sequence.probe_mm)[[0, 1, 3]] == pytest.approx([0, 2, 6])


@pytest.mark.parametrize(
    "content",
    [b"", b"DimSize = 1 1 1\nElementDataFile = other.raw\n", b"DimSize = 9 9\nElementDataFile = LOCAL\n"],
)
def test_another_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.mha"
    path.write_bytes(content)
    with pytest.raises(RealPicturesError, match="cannot be read"):
        read_meta_image(path)


def test_missing_bytes_and_missing_poses_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.mha"
    write_sequence(path, np.stack([free_picture(0)] * 3), [0, 1])
    with pytest.raises(RealPicturesError, match="without ProbeTo"):
        read_meta_image(path)
    write_sequence(path, np.stack([free_picture(0)] * 2), [0, 1])
    path.write_bytes(path.read_bytes().replace(b"DimSize = 192 160 2", b"DimSize = 192 160 9"))
    with pytest.raises(RealPicturesError, match="bytes are there"):
        read_meta_image(path)
    with pytest.raises(RealPicturesError, match="no MetaImage"):
        tracked_files(tmp_path / "nowhere")
    with pytest.raises(RealPicturesError, match="fewer than three"):
        way_along(np.full((5, 3), np.nan))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.integers(20, 60), min_size=1, max_size=4), st.floats(0, 6))
def test_turns_are_where_the_way_goes_back(lengths: list[int], angle: float) -> None:
    """A way of straight parts, of at least a third of the longest, in any direction of the plane."""
    steps = np.concatenate([np.full(length, (-1.0) ** number) for number, length in enumerate(lengths)])
    along = np.concatenate([[0], np.cumsum(steps)])
    places = np.column_stack([along * np.cos(angle), along * np.sin(angle), np.zeros(len(along))])
    found = true_turns(way_along(places))
    assert found == pytest.approx(np.cumsum(lengths)[:-1].tolist())


def test_a_rest_at_the_turn_counts_to_its_middle() -> None:
    along = np.concatenate([np.arange(20.0), np.full(10, 19.0), np.arange(19.0, 0, -1)])
    assert true_turns(along) == (24.5,)


def moving_pictures(places: np.ndarray) -> np.ndarray:
    """What a probe sees over speckle that changes with its place, in mm."""
    planes = np.random.default_rng(0).normal(0, 1, (60, 160, 192)).astype(np.float32)
    planes = np.stack([cv2.GaussianBlur(plane, (0, 0), 2) for plane in planes])
    pictures = []
    for place in places:
        plane, share = int(place / 3), place / 3 % 1
        grey = 90 + 180 * ((1 - share) * planes[plane] + share * planes[plane + 1])
        picture = np.zeros((160, 192), np.uint8)
        picture[10:150, 16:176] = np.clip(grey, 5, 190)[10:150, 16:176]
        pictures.append(picture)
    return np.stack(pictures)


def test_the_course_is_compared_with_the_tracked_way(tmp_path: Path) -> None:
    there = np.linspace(0, 30, 40)
    places = np.concatenate([there, there[::-1]])
    write_sequence(tmp_path / "a.mha", moving_pictures(places), places.tolist())
    (sweep,) = measure_tracked_sweeps(tracked_files(tmp_path), ignore_progress)
    assert (sweep.frames, sweep.swept_mm) == (80, pytest.approx(30, abs=0.1))
    assert sweep.turns.true == pytest.approx((39.5,), abs=1)
    assert sweep.path is not None
    assert sweep.path.returned
    assert sweep.path.error < 0.1 < sweep.path.constant_speed_error
    assert sweep.direction_right is not None
    assert sweep.direction_right > 0.9


def test_a_black_sequence_is_refused(tmp_path: Path) -> None:
    write_sequence(tmp_path / "a.mha", np.zeros((5, 160, 192), np.uint8), [0, 1, 2, 3, 4])
    with pytest.raises(RealPicturesError, match="black"):
        measure_tracked_sweeps(tracked_files(tmp_path), ignore_progress)


def test_a_window_slides_over_the_whole_strip() -> None:
    strip = join_pieces([free_picture(0)[10:150, 16:176], free_picture(1)[10:150, 16:176]])
    window = SlidWindow(strip)
    frames = list(window)
    assert frames[0].grey.shape == (window.height, window.width) == (strip.shape[0], strip.shape[0])
    assert (frames[0].grey == strip[:, : window.width]).all()
    (step,) = [n for n in range(1, 40) if (strip[:, n : n + window.width] == frames[1].grey).all()]
    # One more step would lead beyond the end.
    assert step * (len(frames) - 1) <= strip.shape[1] - window.width < step * len(frames)


def test_a_piece_holds_the_oval_and_what_is_around_it(tmp_path: Path) -> None:
    (picture,) = write_ovals(tmp_path / "set", with_oval=[True], mm_per_px=0.5, length_mm=60)
    piece = oval_piece(picture)
    x, y, *_ = OVAL
    half = 37  # of one and a half times its length of 49 px
    assert piece.shape == (2 * half, 2 * half)
    assert (piece == oval_picture(0)[y - half : y + half, x - half : x + half]).all()


def test_neighbours_fade_into_each_other() -> None:
    strip = join_pieces([np.full((10, 10), 50, np.uint8), np.full((20, 20), 150, np.uint8)])
    assert strip.shape == (320, 608)
    assert (np.diff(strip[0].astype(int)) >= 0).all()
    assert set(strip[0, :288]) == {50}
    assert set(strip[0, 320:]) == {150}


def test_the_ovals_of_strips_are_counted(tmp_path: Path) -> None:
    ovals = write_ovals(tmp_path / "ovals", with_oval=[True, True], mm_per_px=0.5, length_mm=60)
    free = [tmp_path / "free.png", tmp_path / "black.png"]
    cv2.imwrite(str(free[0]), free_picture(7))
    cv2.imwrite(str(free[1]), np.zeros((160, 192), np.uint8))
    assert background_piece(free[1]) is None
    counts = measure_constructed_motion(ovals, free, FINDER, strips=1, seed=0, progress=ignore_progress)
    assert [(each.ovals, each.strips, each.refused) for each in counts] == [(0, 1, 0), (1, 1, 0), (2, 1, 0)]
    assert [each.exact for each in counts] == [1, 1, 1]
    with pytest.raises(RealPicturesError, match="Constructed motion needs"):
        measure_constructed_motion(ovals, free[1:], FINDER, strips=1, seed=0, progress=ignore_progress)
