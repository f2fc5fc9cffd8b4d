"""Functions that many tests call with the same arguments, remembered for the rest of the process."""

from __future__ import annotations

import functools
import hashlib
import pickle
from collections.abc import Callable
from typing import Any

__all__ = ["remembered"]


def remembered(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same function, computed once for equal arguments, each call with a result of its own.

    It must depend on its arguments alone, which pickle must know, as it must the result.
    """
    results: dict[bytes, bytes] = {}

    @functools.wraps(function)
    def recall(*arguments: Any) -> Any:
        key = hashlib.sha256(pickle.dumps(arguments)).digest()
        if key not in results:
            results[key] = pickle.dumps(function(*arguments))
        return pickle.loads(results[key])

    return recall
