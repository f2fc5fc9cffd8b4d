"""Who stands behind a sheet: its signature, and what a person changed of what the program had found."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SheetSignature"]


@dataclass(frozen=True)
class SheetSignature:
    """name, role : of who signed;  signed_at : when, in words

    program_count : what the program alone had found, in words;  changes : what people said, one line each, in order
    """

    name: str
    role: str
    signed_at: str
    program_count: str
    changes: tuple[str, ...]
