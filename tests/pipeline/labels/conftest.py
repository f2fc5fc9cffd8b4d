"""Labels are written from exams that were signed in the review: its fixtures serve here as well."""

from __future__ import annotations

from tests.pipeline.review.conftest import night, out, quick_hashes, serve, served, vet

__all__ = ["night", "out", "quick_hashes", "serve", "served", "vet"]
