"""The palette of a DICOM picture (PS3.3 C.7.6.3.1.5 and C.7.9) as tables of brightness and chroma."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import subsample
from pipeline.ingest.frame import Chroma

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["Palette", "read_palette"]

CHANNEL_NAMES = ("Red", "Green", "Blue")
MAX_ENTRIES = 65_536
# Kinds of segments (PS3.3 C.7.9.2): a list of values, and values on a line from the last one. The third kind, which
# repeats earlier segments, is not supported.
DISCRETE_SEGMENT, LINEAR_SEGMENT = 0, 1


@dataclass(frozen=True)
class Palette:
    """greys : (N,) uint8, brightness of each stored value

    chroma : (N, 2) uint8, Cb and Cr of each stored value; None if all are grey
    """

    greys: NDArray[np.uint8]
    chroma: NDArray[np.uint8] | None

    def apply(self, stored: NDArray[Any]) -> tuple[NDArray[np.uint8], Chroma | None]:
        """Brightness and chroma of (H, W) stored values."""
        last = len(self.greys) - 1
        grey = np.ascontiguousarray(self.greys[np.minimum(stored, last)])
        return grey, None if self.chroma is None else self.chroma[np.minimum(subsample(stored), last)]


def read_palette(dataset: Dataset, bits_stored: int) -> Palette:
    """The palette for 2 ** bits_stored values.

    Raises ValueError if the palette is missing, too long or of an unsupported kind.
    """
    from pydicom.dataelem import DataElement
    from pydicom.pixels.processing import apply_color_lut

    is_little_endian = dataset.original_encoding[1]
    dataset = copy(dataset)
    for channel in CHANNEL_NAMES:
        plain = dataset.get(f"{channel}PaletteColorLookupTableData")
        segmented = dataset.get(f"Segmented{channel}PaletteColorLookupTableData")
        if isinstance(plain, bytes):
            entries = len(plain) // 2
            if not is_little_endian:
                # pydicom reads the words of plain palettes as little-endian in all files.
                element = dataset[f"{channel}PaletteColorLookupTableData"]
                words = np.frombuffer(plain[: 2 * entries], np.uint16).byteswap().tobytes()
                dataset[element.tag] = DataElement(element.tag, "OW", words)
        elif isinstance(segmented, bytes):
            bits = int(dataset[f"{channel}PaletteColorLookupTableDescriptor"].value[2])
            dtype = np.dtype(np.uint8) if bits == 8 else np.dtype("<u2" if is_little_endian else ">u2")
            entries = _expanded_entries(np.frombuffer(segmented[: len(segmented) // 2 * 2], dtype))
        else:
            raise ValueError("the palette is missing")
        if entries > MAX_ENTRIES:
            raise ValueError(f"the palette has {entries} entries")
    values = np.arange(2**bits_stored, dtype=np.uint16 if bits_stored > 8 else np.uint8).reshape(1, -1)
    colours = apply_color_lut(values, dataset)[0, :, :3]
    if colours.dtype != np.uint8 and colours.max() > 255:  # entries of 16 bits may hold values of 8
        colours = colours >> 8
    rgb = colours.astype(np.uint8)[None]
    greys = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[0], np.uint8)
    if (rgb == rgb[..., :1]).all():
        return Palette(greys, None)
    return Palette(greys, np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2YCrCb)[0, :, 2:0:-1], np.uint8))


def _expanded_entries(segments: NDArray[np.unsignedinteger]) -> int:
    """The number of entries of a segmented palette once expanded. It is counted first, because it has no bound."""
    entries = position = 0
    while position + 1 < len(segments) and entries <= MAX_ENTRIES:
        kind, length = int(segments[position]), int(segments[position + 1])
        if kind not in (DISCRETE_SEGMENT, LINEAR_SEGMENT):
            raise ValueError("a palette with an unsupported kind of segment")
        entries += length
        position += 2 + (length if kind == DISCRETE_SEGMENT else 1)
    return entries
