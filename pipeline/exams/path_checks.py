"""Which files, folders and names are accepted: readable, inside the root folder, and safe to show and to store."""

from __future__ import annotations

from models.printable import is_printable, printable
from pipeline.ingest.stills import list_stills
from pipeline.locations.location import Location, is_within

__all__ = ["invalid_name_reason", "rejection_reason"]

MAX_ID_BYTES = 100  # file systems stop at 255 bytes, and suffixes are added (common practice, no source)


# Windows reserves these names for devices, and a centre's shared folder may be on Windows.
_WINDOWS_DEVICES = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)}


def invalid_name_reason(animal: str) -> str | None:
    """Why the id cannot be a folder name on every system, as the end of a sentence; None if it can."""
    if not animal.strip():
        return "is empty"
    if not is_printable(animal):
        return "holds control or invisible characters"
    if any(character in animal for character in '/\\:*?"<>|'):
        return 'holds one of / \\ : * ? " < > |'
    if animal != animal.strip() or animal.endswith(".") or animal.startswith("."):
        return "begins or ends with a space or a dot"
    if animal.split(".")[0].lower() in _WINDOWS_DEVICES:
        return "is a name that Windows reserves"
    return f"is longer than {MAX_ID_BYTES} bytes" if len(animal.encode()) > MAX_ID_BYTES else None


def rejection_reason(path: Location, root: Location) -> str | None:
    """Why the file or folder of stills must not be opened, a sentence without its name; None if it may be opened.

    Links are followed and must end inside ``root``, which is absolute and without links. Of a folder, every still is
    checked.
    """
    if not is_printable(path.name):
        return "its name holds control or invisible characters; rename it."
    if "\\" in path.name:
        return "its name holds a backslash, which separates folders on Windows; rename it."
    try:
        target = path.resolve(strict=True)
        is_folder, is_file = target.is_dir(), target.is_file()
    except FileNotFoundError:
        if path.is_symlink():
            return "a link that leads nowhere; copy the file itself."
        return "exam.toml names this file, but it is missing; correct the name, or copy the file here."
    except (OSError, RuntimeError) as error:
        return f"cannot be opened: {getattr(error, 'strerror', None) or error}; copy it again."
    if not is_within(target, root):
        return "a link that leads out of the recordings' folder; copy the file itself."
    if is_folder:
        reasons = ((still.name, rejection_reason(still, root)) for still in list_stills(path))
        return next((f"{printable(name)}: {reason}" for name, reason in reasons if reason), None)
    # Opening a pipe would block forever.
    return None if is_file else "not a regular file; remove it."
