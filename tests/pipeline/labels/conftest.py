"""Labels are written from exams signed in the review, so the fixtures are those of the review's tests."""

from __future__ import annotations

from tests.pipeline.review.conftest import as_read, night, out, serve, served, vet

__all__ = ["as_read", "night", "out", "serve", "served", "vet"]
