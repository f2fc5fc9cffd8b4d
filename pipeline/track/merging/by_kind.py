"""Follicles and shelled eggs, which are matched separately."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Generic, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.track.merging.observed_object import ObservedObject

__all__ = ["ByKind", "rows_by_kind"]

Value = TypeVar("Value")


class ByKind(NamedTuple, Generic[Value]):
    """One value for follicles and one for shelled eggs."""

    follicles: Value
    shelled: Value

    def of(self, *, shelled: bool) -> Value:
        """The value for shelled eggs, or the one for follicles."""
        return self.shelled if shelled else self.follicles


def rows_by_kind(objects: Sequence[ObservedObject]) -> ByKind[NDArray[np.int64]]:
    """Which of the objects are follicles, and which are shelled eggs."""
    shelled = np.array([one.is_shelled for one in objects], bool)
    return ByKind(np.flatnonzero(~shelled), np.flatnonzero(shelled))
