from __future__ import annotations

import pytest

from pipeline.settings import IngestSettings, load_settings


@pytest.fixture
def settings() -> IngestSettings:
    """The settings as shipped."""
    return load_settings().ingest
