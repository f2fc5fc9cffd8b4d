"""Calls that wait for other machines, which may never answer."""

from __future__ import annotations

from collections.abc import Callable
from threading import Thread
from typing import Any

__all__ = ["within"]


def within(seconds: float, function: Callable[..., Any], *arguments: Any) -> Exception | None:
    """Call a function, and go on after so long. Returns what it raised, or a TimeoutError."""
    errors: list[Exception] = []

    def call() -> None:
        try:
            function(*arguments)
        except Exception as error:
            errors.append(error)

    thread = Thread(target=call, daemon=True)
    thread.start()
    thread.join(seconds)
    if thread.is_alive():
        return TimeoutError(f"no answer within {seconds:g} s")
    return errors[0] if errors else None
