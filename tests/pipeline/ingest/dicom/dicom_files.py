"""DICOM files made here, one property at a time."""

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
    """(F, H, W) pictures with a slope and a block whose place tells the frame."""
    grey = np.tile(np.linspace(10, 200, width).astype(np.uint8), (frames, height, 1))
    for index in range(frames):
        grey[index, 16:40, 8 * (index % 12) : 8 * (index % 12) + 24] = 230
    return grey


def region_item(box: tuple[int, int, int, int], delta_cm: float | tuple[float, float], **elements: Any) -> Dataset:
    """An item of the Sequence of Ultrasound Regions; box : first and last pixel inside, x0, y0, x1, y1."""
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
    """A header for (F, H, W) or (F, H, W, 3) pictures. elements : what it says otherwise; None leaves one out."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = MULTI_FRAME
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["one"])
    order = {"is_implicit_VR": UID(syntax).is_implicit_VR, "is_little_endian": UID(syntax).is_little_endian}
    made = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128, **order)
    bits = 8 * pictures.dtype.itemsize
    colour = pictures.ndim == 4
    told: dict[str, Any] = {
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
    for keyword, value in (told | elements).items():
        if value is not None:
            setattr(made, keyword, value)
    return made


def write_dicom(path: Path, made: FileDataset, pixels: bytes, *, compressed: bool = False) -> Path:
    made.PixelData = pixels
    made["PixelData"].VR = "OB" if compressed or made.BitsAllocated == 8 else "OW"
    made["PixelData"].is_undefined_length = compressed
    made.save_as(path, enforce_file_format=True)
    return path


def write_uncompressed_dicom(path: Path, pictures: Pictures | None = None, **elements: Any) -> Path:
    """An uncompressed file, of three scenes if not told otherwise."""
    shown = block_pictures() if pictures is None else pictures
    return write_dicom(path, make_dataset(shown, **elements), shown.tobytes() + b"\0" * (shown.nbytes % 2))


def encode_jpegs(pictures: NDArray[np.uint8]) -> list[bytes]:
    def packed(picture: NDArray[np.uint8]) -> bytes:
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, "JPEG", quality=95)
        return buffer.getvalue()

    return [packed(picture) for picture in pictures]


def write_jpeg_dicom(
    path: Path, frames: Sequence[bytes] | None = None, *, has_bot: bool = True, **elements: Any
) -> Path:
    """A file of JPEG frames, three scenes if not told otherwise."""
    packed = encode_jpegs(block_pictures()) if frames is None else list(frames)
    told = {"NumberOfFrames": len(packed), **elements}
    made = make_dataset(block_pictures(1), JPEGBaseline8Bit, **told)
    return write_dicom(path, made, encapsulate(packed, has_bot=has_bot), compressed=True)
