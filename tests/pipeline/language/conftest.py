"""The example exams of the reports, and the served batch of the review."""

from __future__ import annotations

from tests.pipeline.report.conftest import clutch, empty, refused, returning, uncertain, without_scale
from tests.pipeline.review.conftest import night, out

__all__ = ["clutch", "empty", "night", "out", "refused", "returning", "uncertain", "without_scale"]
