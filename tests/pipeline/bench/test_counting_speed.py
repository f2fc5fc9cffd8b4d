from __future__ import annotations

import pytest

from pipeline.bench.counting_speed import CountingTime, measure_counting_time
from pipeline.settings import load_settings


def test_the_share_is_of_network_and_counting_together() -> None:
    assert CountingTime(10, 200, tracking_s=0.5, counting_s=1.5).share(0.03) == pytest.approx(2 / 8)


def test_cost_grows_hardly_faster_than_tracks() -> None:
    settings = load_settings()
    measure_counting_time(16, settings)  # the first pays for what is loaded
    few, many = measure_counting_time(40, settings), measure_counting_time(400, settings)
    assert (few.tracks, many.tracks) == (pytest.approx(40, abs=4), pytest.approx(400, abs=20))
    # Ten times the tracks: where all pairs were looked at it would be a hundred times the time.
    assert many.counting_s < 30 * few.counting_s
    assert many.tracking_s / many.frames < 5 * few.tracking_s / few.frames
