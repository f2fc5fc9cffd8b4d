"""Folder names are tried on an exam of the report's tests."""

from __future__ import annotations

from tests.pipeline.report.conftest import clutch

__all__ = ["clutch"]
