"""Checks of settings that no scanner and no body can have."""

from __future__ import annotations

from torch import Tensor

from synthetic.errors import PhantomError

__all__ = ["require_not_negative", "require_positive"]


def require_positive(owner: str, **settings: Tensor) -> None:
    """Raises PhantomError, naming the setting, if any value is 0, negative or not a number."""
    for name, values in settings.items():
        # Values on a GPU are drawn from ranges that were checked before. Checking them there would wait for the GPU.
        if values.device.type == "cpu" and not bool((values > 0).all()):
            worst = float(values.nan_to_num(0.0).min())
            raise PhantomError(f"{name} of a {owner} must be above 0, got {worst:g}.")


def require_not_negative(owner: str, **settings: Tensor) -> None:
    """Raises PhantomError, naming the setting, if any value is negative or not a number."""
    for name, values in settings.items():
        if values.device.type == "cpu" and not bool((values >= 0).all()):
            worst = float(values.nan_to_num(-1.0).min())
            raise PhantomError(f"{name} of a {owner} must not be negative, got {worst:g}.")
