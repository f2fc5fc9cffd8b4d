"""Overlap of found sectors with the true ones."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.input_files import sector_accuracy
from pipeline.bench.input_files.sector_accuracy import mask_iou, measure_sector_accuracy, sector_accuracy_table
from pipeline.cli.app import main
from pipeline.cli.exit_codes import ExitCode
from pipeline.ingest.sector.sector import Sector


def test_overlap_is_intersection_over_union() -> None:
    one, other = np.zeros((2, 10, 10), np.bool_)
    one[:, :6] = other[:, 4:] = True
    assert mask_iou(one, other) == pytest.approx(0.2)
    assert mask_iou(one, one) == 1.0


def test_sectors_of_clips_and_stills_complete_and_cropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """The metrics are those of the found sectors. A sector that is not found has an overlap of 0."""
    accuracies = measure_sector_accuracy(1, 9107)
    assert [one.condition for one in accuracies] == ["clip", "still", "clip, cropped", "still, cropped"]
    assert all(len(one.ious) == 1 for one in accuracies)
    assert [one.fans for one in accuracies[:2]] == [1, 1]
    assert accuracies[0].mean > 0.97
    shapes: list[tuple[int, ...]] = []

    def find_whole_picture(frames: list[np.ndarray]) -> Sector | None:
        height, width = frames[0].shape
        shapes.append((len(frames), height, width))
        return (
            None if len(frames) == 1 else Sector("rectangle", np.ones((height, width), np.bool_), (0, 0, width, height))
        )

    monkeypatch.setattr(sector_accuracy, "find_sector", find_whole_picture)
    accuracies = measure_sector_accuracy(1, 9107)
    assert [number for number, *_ in shapes] == [sector_accuracy.FRAMES, 1, sector_accuracy.FRAMES, 1]
    assert shapes[0][1:] == (480, 640)
    assert shapes[2][1] < 480
    assert shapes[2][2] < 0.9 * 640
    assert [one.mean for one in accuracies][1::2] == [0.0, 0.0]
    assert 0.2 < accuracies[0].mean < accuracies[2].mean < 1
    assert [one.poor for one in accuracies if one.condition != "clip, cropped"] == [1, 1, 1]
    assert [one.fans for one in accuracies] == [0, 0, 0, 0]
    assert len(sector_accuracy_table(accuracies).splitlines()) == 6


def test_the_command_measures_sectors(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["bench", "input", "--sectors", "1", "--seed", "9107", "--out", str(tmp_path), "--quiet"]) == ExitCode.DONE
    )
    assert "still, cropped" in capsys.readouterr().out
    document = json.loads((tmp_path / "reading.json").read_text())
    assert document["sectors"][0]["mean"] > 0.97
    assert (document["damaged"], document["speed"]) == (None, [])
