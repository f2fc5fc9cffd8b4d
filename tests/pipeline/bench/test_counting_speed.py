from __future__ import annotations

import pytest

from pipeline.bench.counting_speed import CountCost, count_cost
from pipeline.settings import load_settings


def test_the_share_is_of_network_and_counting_together() -> None:
    assert CountCost(10, 200, following=0.5, counting=1.5).share(0.03) == pytest.approx(2 / 8)


def test_cost_grows_hardly_faster_than_tracks() -> None:
    settings = load_settings()
    count_cost(16, settings)  # the first pays for what is loaded
    few, many = count_cost(40, settings), count_cost(400, settings)
    assert (few.tracks, many.tracks) == (pytest.approx(40, abs=4), pytest.approx(400, abs=20))
    # Ten times the tracks: where all pairs were looked at it would be a hundred times the time.
    assert many.counting < 30 * few.counting
    assert many.following / many.frames < 5 * few.following / few.frames
