"""One clip from file to tracks, with a detector that finds bright blobs."""

from __future__ import annotations

import inspect
import tracemalloc
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.detect.detector import Detections
from pipeline.exams.exam import ExamClip
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector import region_sector
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.clip_scan import ClipScan, scan_clip
from pipeline.settings import Settings, load_settings
from pipeline.track import thumbnails
from tests.pipeline.blob_finder import HEIGHT, WIDTH, BlobFinder, film, write_video

SHA256 = "a" * 64


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load_settings().with_network_rate(0)  # so that no frame is interpolated


def clip_at(path: Path, mm_per_px: float | None = 0.5, depth_mm: float | None = None) -> ExamClip:
    return ExamClip(path, path.name, "left", mm_per_px, depth_mm)


def scan(path: Path, settings: Settings, detector: BlobFinder | None = None, **scale: Any) -> ClipScan:
    return scan_clip(clip_at(path, **scale), SHA256, detector or BlobFinder(), settings, lambda frames: None)


def test_three_eggs_are_three_tracks_with_a_picture_each(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "left-1.mp4", film(3))
    found = scan(tmp_path / "left-1.mp4", settings)
    assert (found.status, found.reason, found.frames, found.frame_rate) == ("done", None, 40, 25.0)
    assert (found.width, found.height) == (WIDTH, HEIGHT)
    assert found.used_frames.tolist() == list(range(40))
    assert [track.identity for track in found.tracks.tracks] == [1, 2, 3] == sorted(found.pictures)
    assert set(found.track.tolist()) == {1, 2, 3}
    for track in found.tracks.tracks:
        rows = found.track == track.identity
        np.testing.assert_array_equal(found.frame[rows], track.frames)
        np.testing.assert_array_equal(found.ellipse[rows], track.ellipses)
        picture = found.pictures[track.identity]
        assert picture.frame == track.frames[track.best_row]
        assert picture.ellipse == tuple(track.ellipses[track.best_row])
        shown = np.asarray(cv2.imdecode(np.frombuffer(picture.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE))
        cx, cy = round(picture.ellipse[0]), round(picture.ellipse[1])
        assert shown.shape == (HEIGHT, WIDTH)
        assert shown[cy, cx] < 80  # the inside, and its wall
        assert shown[round(picture.ellipse[1] - picture.ellipse[3] + 1.5), cx] > 200


class LowScoreFinder(BlobFinder):
    """In every other frame the scores are lower and the outlines less certain."""

    def __init__(self, score: float) -> None:
        super().__init__()
        self._score = score

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        return [
            replace(
                found,
                scores=np.full_like(found.scores, self._score),
                outline_uncertainties=np.full_like(found.outline_uncertainties, 9.0),
            )
            if found.frame % 2 == 0
            else replace(found, outline_uncertainties=np.full_like(found.outline_uncertainties, 1.5))
            for found in super().detect(frames, sector)
        ]


def test_detections_with_scores_too_low_to_track_are_kept(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "a.mp4", film(2))
    minimum_score = settings.track.association_score
    found = scan(tmp_path / "a.mp4", settings, LowScoreFinder(minimum_score))
    assert (found.track > 0).all()
    below = scan(tmp_path / "a.mp4", settings, LowScoreFinder(np.nextafter(minimum_score, 0.0)))
    np.testing.assert_array_equal(below.track > 0, below.frame % 2 == 1)
    np.testing.assert_array_equal(below.ellipse, found.ellipse)
    assert [track.identity for track in below.tracks.tracks] == [1, 2]
    np.testing.assert_array_equal(
        found.outline_uncertainty, np.where(found.frame % 2, 1.5, 9.0)[:, None].repeat(2, axis=1)
    )


def test_a_clip_has_the_course_of_the_hand_and_key_frames(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "a.mp4", film(1, frames=12))
    tracks = scan(tmp_path / "a.mp4", settings).tracks
    assert tracks.courses[0].frames.tolist() == list(range(12))
    assert tracks.key_frames is not None
    assert tracks.key_frames.thumbnails.frames.tolist() == list(range(12))


def test_progress_adds_up_to_the_frames(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "a.mp4", film(1, frames=37))
    reported: list[int] = []
    scan_clip(clip_at(tmp_path / "a.mp4"), SHA256, BlobFinder(), settings, reported.append)
    assert sum(reported) == 37
    assert len(reported) > 3


def test_an_empty_clip_is_done_with_empty_tables(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "a.mp4", film(0))
    found = scan(tmp_path / "a.mp4", settings)
    assert (found.status, found.tracks.tracks, found.pictures) == ("done", (), {})
    assert found.ellipse.shape == (0, 5)
    assert found.stage_probability.shape == (0, 3)
    assert found.track.dtype == found.frame.dtype == np.int64


def test_dark_frames_are_neither_used_nor_given_to_the_detector(tmp_path: Path, settings: Settings) -> None:
    pictures = film(2)
    for index in range(10, 16):
        pictures[index] = np.zeros_like(pictures[index])
    write_video(tmp_path / "a.mp4", pictures)
    detector = BlobFinder()
    found = scan(tmp_path / "a.mp4", settings, detector)
    expected = [index for index in range(40) if not 10 <= index < 16]
    assert found.used_frames.tolist() == expected == detector.detected_frames
    assert found.frames == 40


def test_repeated_frames_take_the_previous_detections(tmp_path: Path, settings: Settings) -> None:
    pictures = film(1, frames=20)
    doubled = [picture for picture in pictures for _ in range(2)]
    path = tmp_path / "a.gif"  # palette pictures decode to the same bytes every time
    write_gif(path, doubled)
    detector = BlobFinder()
    found = scan(path, settings, detector)
    assert found.frames == 40
    assert detector.detected_frames == list(range(0, 40, 2))
    assert found.used_frames.tolist() == list(range(40))
    for index in range(0, 40, 2):
        np.testing.assert_array_equal(found.ellipse[found.frame == index], found.ellipse[found.frame == index + 1])
        np.testing.assert_array_equal(found.track[found.frame == index], found.track[found.frame == index + 1])


@pytest.mark.parametrize("batch_frames", [1, 3, 8])
def test_repeated_frames_are_no_evidence(tmp_path: Path, settings: Settings, batch_frames: int) -> None:
    settings = settings.model_copy(update={"detect": settings.detect.model_copy(update={"batch_frames": batch_frames})})
    pictures = film(2, frames=20)
    frozen = [picture for index, picture in enumerate(pictures) for _ in range(30 if index == 9 else 2)]
    write_gif(tmp_path / "a.gif", pictures)
    write_gif(tmp_path / "b.gif", frozen)
    once, again = scan(tmp_path / "a.gif", settings), scan(tmp_path / "b.gif", settings)
    assert again.frames == 68
    assert len(once.tracks.tracks) == len(again.tracks.tracks) == 2
    first = [2 * index + (28 if index > 9 else 0) for index in range(20)]  # where each picture is first shown
    for one, other in zip(once.tracks.tracks, again.tracks.tracks, strict=True):
        assert other.frames.tolist() == [first[frame] for frame in one.frames]
        np.testing.assert_array_equal(one.ellipses, other.ellipses)


def write_gif(path: Path, pictures: list[Any]) -> None:
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream("gif", rate=25)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "gray"
        for picture in pictures:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))
        container.mux(stream.encode())


@pytest.mark.parametrize("batch_frames", [1, 3, 64])
def test_batches_change_nothing(tmp_path: Path, settings: Settings, batch_frames: int) -> None:
    write_video(tmp_path / "a.mp4", film(3, frames=30))
    other = settings.model_copy(update={"detect": settings.detect.model_copy(update={"batch_frames": batch_frames})})
    one, two = scan(tmp_path / "a.mp4", settings), scan(tmp_path / "a.mp4", other)
    np.testing.assert_array_equal(one.ellipse, two.ellipse)
    np.testing.assert_array_equal(one.track, two.track)
    assert one.pictures == two.pictures


def test_a_still_is_a_clip_of_one_frame(tmp_path: Path, settings: Settings) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), film(2)[20])
    found = scan(tmp_path / "a.png", settings)
    assert (found.status, found.frames, found.frame_rate) == ("done", 1, None)
    assert len(found.tracks.tracks) == 2


def test_a_text_file_is_refused_with_a_reason_without_its_name(tmp_path: Path, settings: Settings) -> None:
    (tmp_path / "a.mp4").write_text("no video at all\n" * 50)
    found = scan(tmp_path / "a.mp4", settings)
    assert found.status == "refused"
    assert found.reason is not None
    assert found.reason.startswith("this is a text file")
    assert (found.frames, len(found.used_frames), found.tracks.tracks) == (0, 0, ())


def test_a_clip_that_breaks_off_midway_is_done_up_to_that_point(tmp_path: Path, settings: Settings) -> None:
    path = tmp_path / "a.avi"
    write_video(path, film(2, frames=80), codec="ffv1")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    found = scan(path, settings)
    assert found.status == "done"
    assert 30 < found.frames < 70
    assert found.reason is not None
    assert found.reason.startswith(f"only the first {found.frames} frames could be read")
    assert len(found.tracks.tracks) == 2


def test_the_depth_setting_gives_the_scale(tmp_path: Path, settings: Settings) -> None:
    write_video(tmp_path / "a.mp4", film(1))
    found = scan(tmp_path / "a.mp4", settings, mm_per_px=None, depth_mm=70.0)
    assert found.mm_per_px == pytest.approx(0.5, rel=0.03)  # the rectangle is 140 px deep
    assert found.tracks.mm_per_px == found.mm_per_px


def test_memory_does_not_grow_with_the_clip(
    tmp_path: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A clip longer than the kept thumbnails would take half a minute here, so fewer of them are kept.
    monkeypatch.setattr(thumbnails, "_MODEL", replace(thumbnails._MODEL, maximum_kept=30))
    monkeypatch.setattr(region_sector, "find_sector", inspect.unwrap(region_sector.find_sector))  # keeps nothing

    def peak(frames: int) -> int:
        path = tmp_path / f"{frames}.mp4"
        write_video(path, film(2, frames=frames))
        tracemalloc.start()
        try:
            scan(path, settings)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(60)  # modules and buffers that are loaded once
    short, long = peak(60), peak(600)
    # 540 more frames would take 16 MB if they were kept; the rows of numbers that are kept take about 1 kB a frame.
    assert long - short < 2_000_000


def test_scans_hold_no_views_of_frames(tmp_path: Path, settings: Settings) -> None:
    """A table that is a view of something larger would keep every frame of the night alive."""
    write_video(tmp_path / "left.mp4", film(3))
    done = scan(tmp_path / "left.mp4", settings)
    for name in ("used_frames", "frame", "ellipse", "stage_probability", "score", "outline_uncertainty", "track"):
        table = getattr(done, name)
        assert table.base is None or table.base.nbytes <= 2 * table.nbytes + np.dtype(np.float64).itemsize
