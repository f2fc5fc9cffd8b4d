"""The error of an impossible phantom."""

from __future__ import annotations

from models.errors import ClutchlightError

__all__ = ["PhantomError"]


class PhantomError(ClutchlightError):
    """Settings that no animal, probe or clip can have; the text names the setting and what would do."""
