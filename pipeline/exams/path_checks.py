"""Which files, folders and names are let in: readable, inside the root, and harmless to show and to store."""

from __future__ import annotations

import stat
import unicodedata
from pathlib import Path

from pipeline.ingest.stills import list_stills

__all__ = ["invalid_name_reason", "is_printable", "printable", "rejection_reason"]


def printable(path: Path | str) -> str:
    """The path as one printable line, whatever its bytes."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(path))


def is_printable(name: str) -> bool:
    # Surrogates stand for bytes that are no UTF-8; the "C" categories hold them and all control characters.
    return not any(unicodedata.category(character).startswith("C") for character in name)


# Names that Windows keeps for devices; a centre's shared folder may well live there.
_DEVICES = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)}


def invalid_name_reason(animal: str) -> str | None:
    """Why the id cannot be the name of a folder on every system, or None."""
    if not animal.strip():
        return "is empty"
    if not is_printable(animal):
        return "holds control characters"
    if any(character in animal for character in '/\\:*?"<>|'):
        return 'holds one of / \\ : * ? " < > |'
    if animal != animal.strip() or animal.endswith(".") or animal.startswith("."):
        return "begins or ends with a space or dot"
    if animal.split(".")[0].lower() in _DEVICES:
        return "is a name that Windows keeps for itself"
    return "is longer than 100 bytes" if len(animal.encode()) > 100 else None


def rejection_reason(path: Path, root: Path) -> str | None:
    """Why the file, or the folder of stills with all that is in it, is not to be opened, without its name; None if it
    may be.

    Links are followed and must end inside ``root``, which is absolute and without links.
    """
    if not is_printable(path.name):
        return "its name holds control characters; rename it."
    if "\\" in path.name:
        return "its name holds a backslash, which parts folders on other systems; rename it."
    try:
        target = path.resolve(strict=True)
        mode = target.stat().st_mode
    except FileNotFoundError:
        if path.is_symlink():
            return "a link that leads nowhere; copy the file itself."
        return "exam.toml names this file, but it is missing; correct the name, or copy the file here."
    except (OSError, RuntimeError) as error:
        return f"cannot be opened: {getattr(error, 'strerror', None) or error}; copy it again."
    if not target.is_relative_to(root):
        return "a link that leads out of the recordings' folder; copy the file itself."
    if stat.S_ISDIR(mode):
        faults = ((still.name, rejection_reason(still, root)) for still in list_stills(path))
        return next((f"{printable(name)}: {fault}" for name, fault in faults if fault), None)
    # Opening a pipe would wait for ever.
    return None if stat.S_ISREG(mode) else "no ordinary file; remove it."
