"""Which library decodes which compressed pictures. None of those that are always installed is under the GPL.

The choice is fixed, so that a picture has the same pixels wherever it is decoded: pydicom would take any library that
it finds, and lossy JPEG differs between them (by up to 3 grey levels in the files that pydicom ships).
"""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING

from pipeline.ingest.dicom import lossless_jpeg

if TYPE_CHECKING:
    from pydicom.uid import UID

__all__ = ["JPEG_OF_EIGHT_BITS", "decoding_plugin"]

# Names of pydicom's plugins by the last part of the transfer syntax (PS3.6 table A-1). The plugin "pylibjpeg" is
# OpenJPEG for JPEG 2000. For JPEG it is a library under the GPL, which only the extra jpeg-gpl installs.
JPEG_2000 = ("90", "91", "201", "202", "203")
PLUGINS = {
    "5": "pydicom",  # run lengths
    **dict.fromkeys(("4.50", "4.51"), "pillow"),  # lossy JPEG
    **dict.fromkeys(("4.57", "4.70"), lossless_jpeg.PLUGIN),
    **dict.fromkeys(("4.80", "4.81"), "pyjpegls"),
    **dict.fromkeys((f"4.{tail}" for tail in JPEG_2000), "pylibjpeg"),
}
PREFIX = "1.2.840.10008.1.2."
# Pillow decodes these to 8 bits only.
JPEG_OF_EIGHT_BITS = frozenset(f"{PREFIX}4.{tail}" for tail in ("50", "51", "57", "70"))
_REGISTRATION = Lock()  # clips are read in several threads, and a plugin can be added only once


def decoding_plugin(syntax: UID, bits: int) -> str | None:
    """The name of pydicom's plugin that decodes a compressed transfer syntax; None if there is none.

    bits : allocated to each value
    """
    from pydicom.pixels.decoders.base import get_decoder

    name = PLUGINS.get(str(syntax).removeprefix(PREFIX))
    if name is None:
        return None
    if syntax in JPEG_OF_EIGHT_BITS and bits > 8:
        name = "pylibjpeg"
    decoder = get_decoder(syntax)
    with _REGISTRATION:
        available = decoder.available_plugins
        if name == lossless_jpeg.PLUGIN and name not in available and lossless_jpeg.is_available(syntax):
            decoder.add_plugin(name, (lossless_jpeg.__name__, "decode_frame"))
            return name
    return name if name in available else None
