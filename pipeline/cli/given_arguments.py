"""The arguments of the command that is running, for manifests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextvars import ContextVar

__all__ = ["note_arguments", "repeatable_arguments"]

_given: ContextVar[tuple[str, ...]] = ContextVar("given_arguments", default=())

# What says where results go and how they are shown, not what is done.
_WITH_VALUE, _ALONE = ("--out",), ("--quiet", "--json", "--traceback")


def note_arguments(arguments: Sequence[str]) -> None:
    """Keep the arguments of a command that begins."""
    _given.set(tuple(arguments))


def repeatable_arguments() -> list[str]:
    """Those of the running command that say what is done."""
    return list(_repeatable(_given.get()))


def _repeatable(arguments: Sequence[str]) -> Iterator[str]:
    left = iter(arguments)
    for each in left:
        if each in _WITH_VALUE:
            next(left, None)
        elif each not in _ALONE and not each.startswith(tuple(f"{name}=" for name in _WITH_VALUE)):
            yield each
