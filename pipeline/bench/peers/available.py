"""The classical methods whose libraries are installed."""

from __future__ import annotations

from importlib.util import find_spec

import cv2

__all__ = ["available_peers"]


def available_peers() -> list[str]:
    """Their names as methods, ``module:function``."""
    is_available = {
        "hough_circles": True,
        "blob_detector": True,
        "scale_space_blobs": find_spec("skimage") is not None,
        "edge_drawing": hasattr(cv2, "ximgproc"),
    }
    return [f"pipeline.bench.peers.{name}:find" for name, available in is_available.items() if available]
