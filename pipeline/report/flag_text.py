"""Flags in the language of the page; results store them in English."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from pipeline.estimate.results import Flag
from pipeline.language.stored_text import stored_text

__all__ = ["translated_flags"]


def translated_flags(flags: Iterable[Flag]) -> tuple[Flag, ...]:
    """The same flags with their sentences in the language in use. Code and severity stay as they are."""
    return tuple(
        replace(
            flag,
            reason=stored_text(flag.reason),
            advice=stored_text(flag.advice),
            rescan=stored_text(flag.rescan),
        )
        for flag in flags
    )
