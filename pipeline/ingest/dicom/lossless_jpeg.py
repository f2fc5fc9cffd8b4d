"""Lossless JPEG of 8 bits (ITU-T T.81, process 14), decoded by Pillow, as a plugin for pydicom.

pydicom itself has only plugins for libraries that are under the GPL or bring along an outdated OpenSSL. Pillow contains
libjpeg-turbo, which decodes lossless JPEG from version 3 on.
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydicom.pixels.decoders.base import DecodeRunner

__all__ = ["DECODER_DEPENDENCIES", "PLUGIN", "decode_frame", "is_available"]

PLUGIN = "clutchlight"  # its name in pydicom

# pydicom asks a plugin for these two.
DECODER_DEPENDENCIES = {f"1.2.840.10008.1.2.4.{tail}": ("Pillow with libjpeg-turbo 3",) for tail in ("57", "70")}


def is_available(uid: str) -> bool:
    from PIL import features

    version = features.version("libjpeg_turbo")
    return uid in DECODER_DEPENDENCIES and version is not None and int(version.split(".")[0]) >= 3


def decode_frame(src: bytes, runner: DecodeRunner) -> bytes:
    """The pixels of one frame, colours as they are stored. Raises ValueError or any exception of Pillow."""
    from PIL import Image

    with Image.open(BytesIO(src), formats=("JPEG",)) as image:
        if image.size != (runner.columns, runner.rows) or len(image.getbands()) != runner.samples_per_pixel:
            raise ValueError("the picture is not as its header declares")
        if "jfif" in image.info or image.info.get("adobe_transform") == 1:
            # The markers say that colours are YCbCr. Without this, they would have to be converted, and lossless JPEG
            # allows no conversion.
            image.draft("YCbCr", image.size)
        runner.set_option("planar_configuration", 0)
        return image.tobytes()
