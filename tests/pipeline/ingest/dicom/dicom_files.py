"""Small DICOM files for tests."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID, ExplicitVRLittleEndian, JPEGBaseline8Bit, generate_uid

ULTRASOUND = "1.2.840.10008.5.1.4.1.1.6.1"
MULTI_FRAME = "1.2.840.10008.5.1.4.1.1.3.1"
HEIGHT, WIDTH = 96, 128

Pictures = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.int16]


def block_pictures(frames: int = 3, height: int = HEIGHT, width: int = WIDTH) -> NDArray[np.uint8]:
    """(F, H, W) pictures with a brightness ramp and a block whose position shows the frame."""
    grey = np.tile(np.linspace(10, 200, width).astype(np.uint8), (frames, height, 1))
    for index in range(frames):
        grey[index, 16:40, 8 * (index % 12) : 8 * (index % 12) + 24] = 230
    return grey


def region_item(box: tuple[int, int, int, int], delta_cm: float | tuple[float, float], **elements: Any) -> Dataset:
    """An item of the Sequence of Ultrasound Regions.

    box : first and last pixel inside, x0, y0, x1, y1;  elements : other values by keyword
    """
    item = Dataset()
    item.RegionSpatialFormat, item.RegionDataType, item.RegionFlags = 1, 1, 0
    item.RegionLocationMinX0, item.RegionLocationMinY0, item.RegionLocationMaxX1, item.RegionLocationMaxY1 = box
    item.PhysicalUnitsXDirection = item.PhysicalUnitsYDirection = 3
    across, down = delta_cm if isinstance(delta_cm, tuple) else (delta_cm, delta_cm)
    item.PhysicalDeltaX, item.PhysicalDeltaY = across, down
    for keyword, value in elements.items():
        setattr(item, keyword, value)
    return item


def make_dataset(pictures: Pictures, syntax: str = ExplicitVRLittleEndian, **elements: Any) -> FileDataset:
    """A header for (F, H, W) or (F, H, W, 3) pictures. elements : other values by keyword; None leaves one out"""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = MULTI_FRAME
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["one"])
    order = {"is_implicit_VR": UID(syntax).is_implicit_VR, "is_little_endian": UID(syntax).is_little_endian}
    dataset = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128, **order)
    bits = 8 * pictures.dtype.itemsize
    colour = pictures.ndim == 4
    defaults: dict[str, Any] = {
        "SOPClassUID": MULTI_FRAME,
        "Modality": "US",
        "SamplesPerPixel": 3 if colour else 1,
        "PhotometricInterpretation": "RGB" if colour else "MONOCHROME2",
        "PlanarConfiguration": 0 if colour else None,
        "NumberOfFrames": len(pictures),
        "Rows": pictures.shape[1],
        "Columns": pictures.shape[2],
        "BitsAllocated": bits,
        "BitsStored": bits,
        "HighBit": bits - 1,
        "PixelRepresentation": 0,
        "FrameTime": 40,
    }
    for keyword, value in (defaults | elements).items():
        if value is not None:
            setattr(dataset, keyword, value)
    return dataset


def write_dicom(path: Path, dataset: FileDataset, pixels: bytes, *, compressed: bool = False) -> Path:
    dataset.PixelData = pixels
    dataset["PixelData"].VR = "OB" if compressed or dataset.BitsAllocated == 8 else "OW"
    dataset["PixelData"].is_undefined_length = compressed
    dataset.save_as(path, enforce_file_format=True)
    return path


def write_uncompressed_dicom(path: Path, pictures: Pictures | None = None, **elements: Any) -> Path:
    """An uncompressed file; by default of three block pictures."""
    shown = block_pictures() if pictures is None else pictures
    return write_dicom(path, make_dataset(shown, **elements), shown.tobytes() + b"\0" * (shown.nbytes % 2))


def encode_jpegs(pictures: NDArray[np.uint8]) -> list[bytes]:
    def encode(picture: NDArray[np.uint8]) -> bytes:
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, "JPEG", quality=95)
        return buffer.getvalue()

    return [encode(picture) for picture in pictures]


def write_jpeg_dicom(
    path: Path, frames: Sequence[bytes] | None = None, *, has_bot: bool = True, **elements: Any
) -> Path:
    """A file of JPEG frames; by default of three block pictures."""
    encoded = encode_jpegs(block_pictures()) if frames is None else list(frames)
    dataset = make_dataset(block_pictures(1), JPEGBaseline8Bit, **{"NumberOfFrames": len(encoded), **elements})
    return write_dicom(path, dataset, encapsulate(encoded, has_bot=has_bot), compressed=True)
