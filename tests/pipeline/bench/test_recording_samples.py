"""Random frames of recordings for a contact sheet."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from models.errors import ClutchlightError
from pipeline.bench.phantom_sheet import write_contact_sheet
from pipeline.bench.recording_samples import sample_recording_frames
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import film, write_video

SETTINGS = load_settings().ingest


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    folder = tmp_path / "recordings"
    write_video(folder / "a" / "left.mp4", film(1, frames=30, seed=1))
    write_video(folder / "b" / "right.mp4", film(2, frames=30, seed=2))
    (folder / "b" / "notes.txt").write_text("not a recording")
    return folder


def test_frames_come_evenly_from_all_recordings(recordings: Path) -> None:
    pictures, names = sample_recording_frames(recordings, 6, np.random.default_rng(1), SETTINGS)
    assert (pictures.shape, pictures.dtype) == ((6, 256, 256), np.uint8)
    assert sorted(name.split("#")[0] for name in names) == ["a/left.mp4"] * 3 + ["b/right.mp4"] * 3
    assert len(set(names)) == 6
    again = sample_recording_frames(recordings, 6, np.random.default_rng(1), SETTINGS)
    np.testing.assert_array_equal(again[0], pictures)
    assert sample_recording_frames(recordings, 6, np.random.default_rng(2), SETTINGS)[1] != names


def test_all_frames_are_equally_likely(tmp_path: Path) -> None:
    write_video(tmp_path / "long.mp4", film(0, frames=50))
    rng = np.random.default_rng(3)
    drawn = [sample_recording_frames(tmp_path, 10, rng, SETTINGS)[1] for _ in range(20)]
    counts = np.bincount([int(name.split("#")[1]) for names in drawn for name in names], minlength=50)
    assert counts.sum() == 200
    # 4 of each are expected, with a variance of 3.2. Sums of ten are within four standard deviations of 40.
    assert np.abs(counts.reshape(5, 10).sum(axis=1) - 40).max() < 4 * np.sqrt(40 * 0.8)


def test_a_recording_that_cannot_be_read_is_skipped(recordings: Path, caplog: pytest.LogCaptureFixture) -> None:
    (recordings / "a" / "left.mp4").write_text("no video at all\n" * 50)
    pictures, names = sample_recording_frames(recordings, 4, np.random.default_rng(1), SETTINGS)
    assert {name.split("#")[0] for name in names} == {"b/right.mp4"}
    assert len(pictures) == len(names)
    assert "skipped: left.mp4: this is a text file" in caplog.text


def test_a_folder_without_a_usable_frame_is_refused_by_name(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "dark.png"), np.zeros((160, 192), dtype=np.uint8))
    with pytest.raises(ClutchlightError, match=f"{tmp_path} has no recording with a usable frame"):
        sample_recording_frames(tmp_path, 4, np.random.default_rng(1), SETTINGS)


@pytest.mark.parametrize("mix", [False, True], ids=["apart", "mixed"])
def test_a_sheet_shows_phantoms_and_recordings(
    mix: bool, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pictures(number: int, seed: int) -> tuple[np.ndarray, None]:
        return np.full((number, 256, 256), 7, dtype=np.uint8), None

    monkeypatch.setattr("pipeline.bench.phantom_sheet.training_pictures", pictures)
    write_contact_sheet(tmp_path / "sheet.png", seed=1, recordings=recordings, mix=mix, settings=SETTINGS)
    sheet = cv2.imread(str(tmp_path / "sheet.png"))
    assert sheet is not None
    phantoms = (sheet == 7).all(axis=-1)
    assert phantoms.sum() == pytest.approx((16 if mix else 32) * 256 * 256, rel=0.01)
    assert (tmp_path / "sheet.txt").exists() == mix
    if mix:
        lines = (tmp_path / "sheet.txt").read_text().splitlines()
        assert (len(lines), sum(line.endswith(": phantom") for line in lines)) == (32, 16)
        for line in lines[::5]:
            row, column = (int(word.strip(",:")) for word in line.split()[1:4:2])
            y, x = 68 + 4 + 260 * (row - 1) + 128, 4 + 260 * (column - 1) + 128
            assert phantoms[y, x] == line.endswith("phantom")
