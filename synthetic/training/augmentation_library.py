"""albumentations, imported on first use since it is heavy, and without its search for updates."""

from __future__ import annotations

import os
from typing import Any

__all__ = ["import_albumentations"]


def import_albumentations() -> Any:
    """The module ``albumentations``.

    On import it asks the network for a newer version, and waits for 2 s if there is no network. This program must not
    open connections, so the question is switched off first.
    """
    os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"
    import albumentations

    return albumentations
