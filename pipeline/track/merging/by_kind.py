"""One value for shelled eggs and one for follicles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

__all__ = ["ByKind"]

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class ByKind(Generic[T]):
    """One value for shelled eggs and one for follicles."""

    shelled: T
    follicles: T

    def of(self, *, shelled: bool) -> T:
        """The value for shelled eggs, or the one for follicles."""
        return self.shelled if shelled else self.follicles
