"""The store's own tests run on every kind of database."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.store.lock import hold_lock


@pytest.fixture(params=["sqlite", "postgresql"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """An output folder whose store is of one kind."""
    if request.param == "postgresql":
        with hold_lock(tmp_path, request.getfixturevalue("database_url")):
            pass
    return tmp_path
