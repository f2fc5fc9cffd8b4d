"""A cluster on a machine that may be busy."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def all_workers_are_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """However busy the machine is."""
    from pipeline.cluster import dask_pool

    monkeypatch.setattr(dask_pool, "FIRST_WORKERS_S", 300.0)
    monkeypatch.setattr(dask_pool, "CONNECT_S", 120.0)
