from __future__ import annotations

import pytest

from pipeline.speed.network_costs import NetworkCosts


def test_floors_are_those_of_operations_and_bytes() -> None:
    """4 G operations at 8 T a second, and 2 MB at 4 GB a second: half a millisecond each."""
    costs = NetworkCosts("torch-f16-cuda", 8, 0.001, 4_000_000_000, 2e6, 8e12, 4e9)
    assert (costs.operations_s, costs.bytes_s) == (pytest.approx(0.0005), pytest.approx(0.0005))
    assert costs.reached_share == pytest.approx(0.5)
    assert costs.document()["reached_share"] == costs.reached_share
    assert [line.split(",")[0] for line in costs.table().splitlines()] == [
        "the network alone",
        "  4.00 G operations",
        "  2.0 MB to move",
    ]
