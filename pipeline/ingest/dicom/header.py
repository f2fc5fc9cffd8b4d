"""The header of a DICOM file, checked before anything is decoded.

Only the elements that describe pixels, times and scale are read. Names and dates never leave the file.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, Literal

from pipeline.ingest.dicom.decoders import JPEG_OF_EIGHT_BITS, decoding_plugin
from pipeline.ingest.dicom.header_reader import DeflatedFileError, HeaderReader
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.uid import UID

__all__ = ["DicomHeader", "read_header"]

# Ultrasound and Secondary Capture storage, single and multi-frame, with the retired ultrasound classes
# (PS3.4 table B.5-1 and PS3.6 table A-1).
SOP_CLASSES = frozenset(
    f"1.2.840.10008.5.1.4.1.1.{tail}" for tail in ("6.1", "3.1", "6", "3", "7", "7.2", "7.3", "7.4")
)
# MPEG-2, MPEG-4 and HEVC (PS3.5 section 10.5 and following).
VIDEO_SYNTAXES = frozenset(f"1.2.840.10008.1.2.4.{tail}" for tail in range(100, 109))

HEADER_KEYWORDS = (
    "SOPClassUID",
    "Modality",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "PlanarConfiguration",
    "NumberOfFrames",
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "PixelSpacing",
    "WindowCenter",
    "WindowWidth",
    "RescaleSlope",
    "RescaleIntercept",
    "CineRate",
    "FrameTime",
    "FrameTimeVector",
    "SequenceOfUltrasoundRegions",
    *(
        element
        for colour in ("Red", "Green", "Blue")
        for element in (
            f"{colour}PaletteColorLookupTableDescriptor",
            f"{colour}PaletteColorLookupTableData",
            f"Segmented{colour}PaletteColorLookupTableData",
        )
    ),
)
PIXEL_DATA_TAG = (0x7FE0, 0x0010)
UNDEFINED_LENGTH = 0xFFFFFFFF
MAX_FRAMES = 1_000_000
EXPORT_AGAIN = "export it from the scanner again"


@dataclass(frozen=True)
class DicomHeader:
    """What the header of one file says about its pictures.

    name : of the file, for error messages;  dataset : the elements that were read
    photometric : photometric interpretation (PS3.3 C.7.6.3.1.2);  bits_stored, bits_allocated : of each value
    pixel_vr : value representation of the pixel data, None where the transfer syntax leaves it out
    decoder_options : the same facts in the form that pydicom's decoders take
    pixel_data_offset : position of the pixel data in the file, bytes
    pixel_data_bytes : size of uncompressed pixel data there, bytes
    """

    name: str
    dataset: Dataset
    transfer_syntax: UID
    rows: int
    columns: int
    frames: int
    samples_per_pixel: int
    photometric: str
    bits_stored: int
    bits_allocated: int
    signed: bool
    pixel_vr: str | None
    decoder_options: dict[str, Any]
    pixel_data_offset: int
    pixel_data_bytes: int

    @property
    def is_video(self) -> bool:
        return self.transfer_syntax in VIDEO_SYNTAXES

    @property
    def is_compressed(self) -> bool:
        return bool(self.transfer_syntax.is_encapsulated)

    @property
    def decoded_frame_bytes(self) -> int:
        """Of one frame after decoding."""
        return self.rows * self.columns * self.samples_per_pixel * (self.bits_allocated // 8)

    @property
    def stored_frame_bytes(self) -> int:
        """Of one uncompressed frame in the file."""
        values = self.rows * self.columns * self.samples_per_pixel
        if self.photometric == "YBR_FULL_422":  # two pixels share their two colour differences
            values = values * 2 // 3
        return values * (self.bits_allocated // 8)

    def numbers(self, keyword: str) -> list[float]:
        """The numbers of an element; an empty list if it is missing or if any of them is not a finite number."""
        try:
            value: Any = self.dataset.get(keyword)
            if value is None or value == "":
                return []
            numbers = [float(number) for number in ([value] if isinstance(value, str | int | float) else value)]
        except (TypeError, ValueError, OverflowError):
            return []
        return numbers if all(map(math.isfinite, numbers)) else []

    def first_number(self, keyword: str) -> float | None:
        return next(iter(self.numbers(keyword)), None)


def read_header(file: BinaryIO, name: str, settings: IngestSettings) -> DicomHeader:
    """The header of the file. Nothing after it is read.

    Raises ClipError if the file is not DICOM or not ultrasound, cannot be decoded, or is larger than the settings
    allow, and any exception of pydicom if the header is damaged.
    """
    from pydicom.pixels.utils import as_pixel_options
    from pydicom.uid import UID

    dataset = _read_elements(file, name)
    syntax = UID(str(dataset.file_meta.TransferSyntaxUID))
    rows, columns, frames = int(dataset.Rows), int(dataset.Columns), int(dataset.get("NumberOfFrames") or 1)
    if max(rows, columns) > settings.maximum_side_px:
        raise ClipError(
            f"{name}: declares pictures of {columns} x {rows} pixels, more than {settings.maximum_side_px} a side; "
            "export it in a smaller size."
        )
    if min(rows, columns, frames) < 1 or frames > MAX_FRAMES:
        raise ClipError(f"{name}: its header declares {frames} frames of {columns} x {rows} pixels; {EXPORT_AGAIN}.")
    allocated, samples = int(dataset.BitsAllocated), int(dataset.SamplesPerPixel)
    if allocated not in (8, 16) or samples not in (1, 3):
        raise ClipError(f"{name}: its pixels have {samples} values of {allocated} bits; export it with 8 bits.")
    plugin = _decoding_plugin(syntax, allocated, name)
    pixel_vr, length = _read_pixel_element(file, syntax, name)
    if syntax.is_encapsulated != (length == UNDEFINED_LENGTH):
        raise ClipError(f"{name}: its header contradicts its data on whether they are compressed; {EXPORT_AGAIN}.")
    options = {
        **as_pixel_options(dataset),
        "pixel_keyword": "PixelData",
        "transfer_syntax_uid": syntax,
        "decoding_plugin": plugin,
    }
    offset = file.tell()
    bytes_left = file.seek(0, os.SEEK_END) - offset
    return DicomHeader(
        name=name,
        dataset=dataset,
        transfer_syntax=syntax,
        rows=rows,
        columns=columns,
        frames=frames,
        samples_per_pixel=samples,
        photometric=str(dataset.PhotometricInterpretation),
        bits_stored=min(int(dataset.get("BitsStored") or allocated), allocated),
        bits_allocated=allocated,
        signed=bool(dataset.get("PixelRepresentation")),
        pixel_vr=pixel_vr,
        decoder_options=options if pixel_vr is None else {**options, "pixel_vr": pixel_vr},
        pixel_data_offset=offset,
        pixel_data_bytes=min(length, bytes_left),
    )


def _read_elements(file: BinaryIO, name: str) -> Dataset:
    """The elements in HEADER_KEYWORDS. The file is left where the pixel data element begins."""
    from pydicom import dcmread

    file.seek(128)
    if file.read(4) != b"DICM":
        raise ClipError(f"{name}: not a DICOM file, though its name says so; {EXPORT_AGAIN}.")
    try:
        dataset = dcmread(HeaderReader(file), stop_before_pixels=True, specific_tags=list(HEADER_KEYWORDS))
    except DeflatedFileError as error:
        raise ClipError(
            f"{name}: the file is packed as a whole (deflated); export it as JPEG or without compression."
        ) from error
    sop_class = str(dataset.get("SOPClassUID") or dataset.file_meta.get("MediaStorageSOPClassUID", ""))
    if not sop_class or "TransferSyntaxUID" not in dataset.file_meta:
        raise ValueError("a header without the SOP class or the transfer syntax")
    if sop_class not in SOP_CLASSES and dataset.get("Modality") != "US":
        raise ClipError(f"{name}: holds no ultrasound picture; leave it out of the exam's folder.")
    return dataset


def _decoding_plugin(syntax: UID, bits: int, name: str) -> str:
    """Of pydicom, for compressed pictures; empty for others. Raises ClipError if nothing can read the pictures."""
    from pydicom.uid import UncompressedTransferSyntaxes

    if syntax in VIDEO_SYNTAXES or syntax in UncompressedTransferSyntaxes:
        return ""
    plugin = decoding_plugin(syntax, bits)
    if plugin is not None:
        return plugin
    syntax_name = syntax.name if syntax.is_valid and syntax.name != syntax else "an unknown format"
    if syntax in JPEG_OF_EIGHT_BITS and bits > 8:
        advice = "export it with 8 bits or without compression, or install clutchlight[jpeg-gpl]"
        raise ClipError(f"{name}: its pictures are stored as {syntax_name} with more than 8 bits; {advice}.")
    raise ClipError(f"{name}: its pictures are stored as {syntax_name}; export it as JPEG or without compression.")


def _read_pixel_element(file: BinaryIO, syntax: UID, name: str) -> tuple[str | None, int]:
    """Value representation and length of the pixel data element at the file's position.

    The file is left where the element's value begins.
    """
    order: Literal["little", "big"] = "little" if syntax.is_little_endian else "big"
    head = file.read(8)
    if tuple(int.from_bytes(head[start : start + 2], order) for start in (0, 2)) != PIXEL_DATA_TAG:
        raise ClipError(f"{name}: ends before its pictures begin, or holds none; copy it from the scanner again.")
    if syntax.is_implicit_VR:
        return None, int.from_bytes(head[4:], order)
    return head[4:6].decode("ascii"), int.from_bytes(file.read(4), order)
