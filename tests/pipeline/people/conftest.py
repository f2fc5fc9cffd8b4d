"""A people's file with something of every kind in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.attacks.sample_folder import COUNTS, EXAM, OTHER, PASSWORD, say
from pipeline.attacks.sample_folder import said as everything

__all__ = ["COUNTS", "EXAM", "OTHER", "PASSWORD", "everything", "out", "say"]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    say(tmp_path)
    return tmp_path
