"""The error of phantoms that cannot exist or cannot be written."""

from __future__ import annotations

from models.errors import ClutchlightError

__all__ = ["PhantomError"]


class PhantomError(ClutchlightError):
    """Settings that no animal, probe or clip can have, or files that cannot be written; the text says what to change."""
