"""The example exam of the tests of ``report``, for folder names."""

from __future__ import annotations

from tests.pipeline.report.conftest import clutch

__all__ = ["clutch"]
