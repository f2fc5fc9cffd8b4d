"""The interpreter of the peers' environment, if the machine has one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.bench.peers.environment import environment_python

__all__ = ["peers_python"]


def peers_python() -> Path:
    """Skips the test where ``CLUTCHLIGHT_PEERS`` does not name an environment."""
    folder = os.environ.get("CLUTCHLIGHT_PEERS")
    if not folder:
        pytest.skip("run: clutchlight bench peers-environment DIR, and set CLUTCHLIGHT_PEERS to DIR")
    return environment_python(Path(folder))
