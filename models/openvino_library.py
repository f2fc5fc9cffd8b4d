"""OpenVINO, imported on first use since it is heavy, and without its telemetry."""

from __future__ import annotations

import sys
from typing import Any

__all__ = ["import_openvino"]


def import_openvino() -> Any:
    """The module ``openvino``.

    When it is imported, and when it converts a model, it sends a message to its makers, and keeps an id in the home
    folder. The package ``openvino_telemetry`` does that, and OpenVINO works without it. This program must not open
    connections, so the package is made impossible to import first (None in ``sys.modules``; Python's reference manual,
    "The module cache").
    """
    if "openvino" not in sys.modules:
        sys.modules["openvino_telemetry"] = None  # type: ignore[assignment]
    import openvino

    return openvino
