from __future__ import annotations

import pytest

from pipeline.settings import load_settings
from pipeline.settings_tables import IngestSettings


@pytest.fixture
def settings() -> IngestSettings:
    """The settings as shipped."""
    return load_settings().ingest
