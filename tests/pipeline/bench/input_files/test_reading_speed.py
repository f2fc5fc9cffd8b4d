from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.bench.input_files.reading_speed import measure_reading_speed, reading_speed_table
from pipeline.bench.input_files.sample_files import moving_speckle
from pipeline.settings import load_settings


def test_every_format_is_timed(tmp_path: Path) -> None:
    videos = (("a.mp4", "libx264", "yuv420p"), ("b.avi", "mjpeg", "yuvj420p"))
    speeds = measure_reading_speed(tmp_path, load_settings(), videos=videos, frames=4)
    assert [speed.file for speed in speeds] == ["a.mp4", "b.avi"]
    for speed in speeds:
        assert 0 < speed.decode_ms < speed.decode_rgb_ms
        # With so few frames, nearly all time is the search for the sector, which reading and scanning share.
        assert 0 < speed.decode_ms < min(speed.read_ms, speed.scan_ms)
        assert speed.document()["ratio"] == round(speed.read_ms / speed.decode_ms, 3)
    assert len(reading_speed_table(speeds).splitlines()) == 5


def test_speckle_moves_by_a_pixel_per_frame_and_stays_correlated() -> None:
    first, second = moving_speckle(2, height=160, width=192)
    before, after = first[18:48, 20:160].astype(float), second[18:48, 20:160].astype(float)
    still = float(abs(np.corrcoef(before.ravel(), after.ravel())[0, 1]))
    drifted = float(np.corrcoef(first[17:47, 20:160].ravel(), after.ravel())[0, 1])
    assert drifted > 0.6  # the echoes have 0.9; the logarithm reduces the contrast of bright ones
    assert drifted > still + 0.05
