from __future__ import annotations

import time

import pytest

from pipeline.bench.counting_speed import CountingTime, counting_speed_table, measure_counting_time
from pipeline.settings import load_settings


def test_the_share_refers_to_network_and_counting_together() -> None:
    assert CountingTime(10, 200, tracking_s=0.5, counting_s=1.5).share(0.03) == pytest.approx(2 / 8)


def test_time_grows_hardly_faster_than_the_number_of_tracks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "perf_counter", time.process_time)  # how busy the machine is does not matter
    settings = load_settings()
    measure_counting_time(16, settings)  # the first run also loads libraries
    few, many = measure_counting_time(40, settings), measure_counting_time(200, settings)
    assert (few.tracks, many.tracks) == (pytest.approx(40, abs=4), pytest.approx(200, abs=10))
    # Five times the tracks take 3.5 times as long. If all pairs were compared, it would be 25 times.
    assert many.counting_s < 10 * few.counting_s
    assert many.tracking_s / many.frames < 3 * few.tracking_s / few.frames


def test_the_table_has_a_line_for_the_network_and_for_each_exam() -> None:
    network, exam = counting_speed_table([CountingTime(10, 200, tracking_s=0.5, counting_s=1.5)], 0.03).splitlines()
    assert network == "network: 30.0 ms per frame"
    assert exam.split(": ")[1].startswith("tracking 0.50 s (2.50 ms per frame), merging and counting 1.50 s (150.0 ms")
    assert exam.endswith("25.0% of the time with the network")
