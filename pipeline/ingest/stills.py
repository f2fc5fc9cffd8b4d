"""Still pictures: clips of one frame."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import ClipError
from pipeline.settings import IngestSettings

__all__ = ["read_still"]


def read_still(path: Path, settings: IngestSettings) -> NDArray[np.uint8]:
    """The picture as (H, W) uint8, upright; of files with several pages the first.

    Read by Pillow, which tells the size before it decodes and owns up to a truncated file, where OpenCV
    fills the rest with grey.

    Raises ClipError.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            # Pillow warns of large pictures; the settings' bound decides here.
            warnings.simplefilter("ignore")
            image = Image.open(path)
        with image:
            if max(image.size) > settings.maximum_side_px:
                raise ClipError(
                    f"{path.name}: a picture of {image.width} x {image.height} pixels, more than "
                    f"{settings.maximum_side_px} a side; export it in a smaller size."
                )
            upright = ImageOps.exif_transpose(image)
            if upright.mode.startswith(("I", "F")):
                return _eight_bits(np.asarray(upright, dtype=np.float64))
            return np.asarray(upright.convert("L"), dtype=np.uint8)
    except Image.DecompressionBombError:
        raise ClipError(f"{path.name}: the picture is far too large; export it in a smaller size.") from None
    except (OSError, ValueError, SyntaxError) as error:
        raise ClipError(f"{path.name}: no picture that can be read, or cut short ({error}); copy it again.") from error


def _eight_bits(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Sixteen-bit brightness to eight; values that fit into eight bits already are kept."""
    return np.clip(values / 256.0 if values.max(initial=0.0) > 255 else values, 0, 255).astype(np.uint8)
