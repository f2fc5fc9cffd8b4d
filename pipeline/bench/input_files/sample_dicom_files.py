"""Small intact DICOM files of every kind that the pipeline reads, to be damaged."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

__all__ = ["dicom_header", "save_dicom", "write_dicom_files"]

_MULTI_FRAME_SOP_CLASS = "1.2.840.10008.5.1.4.1.1.3.1"  # Ultrasound Multi-frame Image Storage
_UNCOMPRESSED_SYNTAXES = {"native.dcm": "ExplicitVRLittleEndian", "big.dcm": "ExplicitVRBigEndian"}
_LOSSLESS_SYNTAXES = {"rle.dcm": "RLELossless", "jpeg2000.dcm": "JPEG2000Lossless"}


def write_dicom_files(folder: Path, pictures: Sequence[NDArray[np.uint8]], video: bytes) -> None:
    """Write one file of every kind. pictures : (H, W) each;  video : an H.264 stream, for the file with a video"""
    from PIL import Image
    from pydicom import uid
    from pydicom.encaps import encapsulate
    from pydicom.pixels.utils import compress

    grey = np.stack(pictures)
    for name, syntax in _UNCOMPRESSED_SYNTAXES.items():
        data_set = dicom_header(grey, getattr(uid, syntax))
        save_dicom(data_set, folder / name, grey.tobytes())
    for name, syntax in _LOSSLESS_SYNTAXES.items():
        data_set = dicom_header(grey, uid.ExplicitVRLittleEndian)
        data_set.PixelData = grey.tobytes()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            compress(data_set, getattr(uid, syntax))
        data_set.save_as(folder / name, enforce_file_format=True)
    frames = []
    for picture in pictures:
        jpeg = io.BytesIO()
        Image.fromarray(picture).save(jpeg, "JPEG", quality=90)
        frames.append(jpeg.getvalue())
    save_dicom(dicom_header(grey, uid.JPEGBaseline8Bit), folder / "jpeg.dcm", encapsulate(frames), compressed=True)
    video_header = dicom_header(
        grey, uid.MPEG4HP41, SamplesPerPixel=3, PlanarConfiguration=0, PhotometricInterpretation="YBR_PARTIAL_420"
    )
    save_dicom(video_header, folder / "video.dcm", encapsulate([video], has_bot=False), compressed=True)
    table = np.arange(256, dtype=np.uint16) * 257
    colours: dict[str, Any] = {"PhotometricInterpretation": "PALETTE COLOR"}
    for colour in ("Red", "Green", "Blue"):
        colours[f"{colour}PaletteColorLookupTableDescriptor"] = [256, 0, 16]
        colours[f"{colour}PaletteColorLookupTableData"] = table.tobytes()
    save_dicom(dicom_header(grey, uid.ImplicitVRLittleEndian, **colours), folder / "palette.dcm", grey.tobytes())


def dicom_header(grey: NDArray[np.uint8], syntax: Any, **more_elements: Any) -> Any:
    """A data set without pixels. grey : (F, H, W), for its size;  more_elements : by keyword, in place of the usual"""
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.uid import UID, generate_uid

    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = UID(_MULTI_FRAME_SOP_CLASS)
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["intact"])
    encoding = {"is_implicit_VR": syntax.is_implicit_VR, "is_little_endian": syntax.is_little_endian}
    data_set = FileDataset("", {}, file_meta=meta, preamble=bytes(128), **encoding)
    frames, height, width = grey.shape
    region = Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionLocationMinX0 = region.RegionLocationMinY0 = region.RegionFlags = 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = width - 1, height - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = 0.05
    elements = {
        "SOPClassUID": _MULTI_FRAME_SOP_CLASS,
        "Modality": "US",
        "SequenceOfUltrasoundRegions": [region],
        "SamplesPerPixel": 1,
        "PhotometricInterpretation": "MONOCHROME2",
        "NumberOfFrames": frames,
        "Rows": height,
        "Columns": width,
        "BitsAllocated": 8,
        "BitsStored": 8,
        "HighBit": 7,
        "PixelRepresentation": 0,
        "FrameTimeVector": [0] + [40] * (frames - 1),
    }
    for keyword, value in (elements | more_elements).items():
        setattr(data_set, keyword, value)
    return data_set


def save_dicom(data_set: Any, file: Path | BinaryIO, pixels: bytes, *, compressed: bool = False) -> None:
    """Write the data set with these stored pixels, which are encapsulated if ``compressed``."""
    data_set.PixelData = pixels
    data_set["PixelData"].VR = "OB"
    data_set["PixelData"].is_undefined_length = compressed
    data_set.save_as(file, enforce_file_format=True)
