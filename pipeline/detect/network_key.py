"""What decides which network runs and how, found out without loading it."""

from __future__ import annotations

import hashlib
import platform
from importlib import metadata
from pathlib import Path

from models.weights_file import shipped_weights, weights_sha256

__all__ = ["network_key"]


def network_key(weights: Path | None, engine: str) -> str:
    """A digest of the weights, the engine and its version, and the processor's abilities, which decide its precision.

    weights : None for the shipped ones;  engine : as in `pipeline.detect.detector_loading.load_detector`

    Raises WeightsError if the file cannot be read.
    """
    path = weights or shipped_weights()
    library = "openvino" if engine == "openvino" else "torch"
    try:
        version = metadata.version(library)
    except metadata.PackageNotFoundError:
        version = ""
    parts = (path.stem, weights_sha256(path), engine, version, platform.machine(), _processor())
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def _processor() -> str:
    """The abilities of the first processor as Linux lists them, elsewhere its name."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return platform.processor()
    return next((line for line in lines if line.startswith(("flags", "Features"))), platform.processor())
