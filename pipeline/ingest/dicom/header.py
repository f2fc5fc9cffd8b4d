"""What the header of a DICOM file says of its pictures, checked before anything is decoded.

Only the elements that tell of pixels, times and scale are read; names and dates never leave the file.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, Literal

from pipeline.ingest.dicom.header_reader import DeflatedFileError, HeaderReader
from pipeline.ingest.frame import ClipError
from pipeline.settings import IngestSettings

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
    """name : of the file, for what goes wrong;  dataset : the elements read

    transfer_syntax : UID of the transfer syntax;  photometric : PS3.3 C.7.6.3.1.2
    decoder_options : the same, as pydicom's decoders take it
    pixel_data_offset : in the file, bytes;  pixel_data_bytes : of uncompressed pixel data there, bytes
    """

    name: str
    dataset: Dataset
    transfer_syntax: str
    rows: int
    columns: int
    frames: int
    photometric: str
    bits_stored: int
    signed: bool
    decoder_options: dict[str, Any]
    pixel_data_offset: int
    pixel_data_bytes: int

    @property
    def is_video(self) -> bool:
        return self.transfer_syntax in VIDEO_SYNTAXES

    @property
    def is_compressed(self) -> bool:
        return bool(self.decoder_options["transfer_syntax_uid"].is_encapsulated)

    @property
    def frame_bytes(self) -> int:
        """Of one uncompressed frame."""
        values = self.rows * self.columns * int(self.decoder_options["samples_per_pixel"])
        if self.photometric == "YBR_FULL_422":  # two brightnesses share their colour
            values = values * 2 // 3
        return values * (int(self.decoder_options["bits_allocated"]) // 8)


def read_header(file: BinaryIO, name: str, settings: IngestSettings) -> DicomHeader:
    """The header of the file, of which no more is read.

    Raises ClipError where it is no DICOM file or no ultrasound, cannot be decoded or is larger than the settings
    allow, and whatever pydicom raises where the header is damaged.
    """
    from pydicom.pixels.utils import as_pixel_options
    from pydicom.uid import UID

    dataset = _elements(file, name)
    uid = UID(str(dataset.file_meta.TransferSyntaxUID))
    if not _is_known(uid):
        what = uid.name if uid.is_valid and uid.name != uid else "a way not known here"
        raise ClipError(f"{name}: its pictures are stored as {what}; export it as JPEG or without compression.")
    rows, columns, frames = int(dataset.Rows), int(dataset.Columns), int(dataset.get("NumberOfFrames") or 1)
    if max(rows, columns) > settings.maximum_side_px:
        raise ClipError(
            f"{name}: declares pictures of {columns} x {rows} pixels, more than {settings.maximum_side_px} a side; "
            "export it in a smaller size."
        )
    if min(rows, columns, frames) < 1 or frames > MAX_FRAMES:
        raise ClipError(f"{name}: its header tells of {frames} frames of {columns} x {rows} pixels; {EXPORT_AGAIN}.")
    allocated, samples = int(dataset.BitsAllocated), int(dataset.SamplesPerPixel)
    if allocated not in (8, 16) or samples not in (1, 3):
        raise ClipError(f"{name}: its pixels have {samples} values of {allocated} bits; export it with 8 bits.")
    representation, length = _pixel_element(file, uid, name)
    if uid.is_encapsulated != (length == UNDEFINED_LENGTH):
        raise ClipError(f"{name}: its header contradicts its data on whether they are compressed; {EXPORT_AGAIN}.")
    options = {**as_pixel_options(dataset), "pixel_keyword": "PixelData", "transfer_syntax_uid": uid}
    begin = file.tell()
    left = file.seek(0, os.SEEK_END) - begin
    return DicomHeader(
        name=name,
        dataset=dataset,
        transfer_syntax=str(uid),
        rows=rows,
        columns=columns,
        frames=frames,
        photometric=str(dataset.PhotometricInterpretation),
        bits_stored=min(int(dataset.get("BitsStored") or allocated), allocated),
        signed=bool(dataset.get("PixelRepresentation")),
        decoder_options=options if representation is None else {**options, "pixel_vr": representation},
        pixel_data_offset=begin,
        pixel_data_bytes=min(length, left),
    )


def _elements(file: BinaryIO, name: str) -> Dataset:
    """The elements of interest; the file is left where the pixel data begin."""
    from pydicom import dcmread

    file.seek(128)
    if file.read(4) != b"DICM":
        raise ClipError(f"{name}: no DICOM file, though its name says so; {EXPORT_AGAIN}.")
    try:
        dataset = dcmread(HeaderReader(file), stop_before_pixels=True, specific_tags=list(HEADER_KEYWORDS))
    except DeflatedFileError as error:
        raise ClipError(f"{name}: the file is packed as a whole (deflated); export it without.") from error
    sop_class = str(dataset.get("SOPClassUID") or dataset.file_meta.get("MediaStorageSOPClassUID", ""))
    if not sop_class or "TransferSyntaxUID" not in dataset.file_meta:
        raise ValueError("a header without the class or the transfer syntax")
    if sop_class not in SOP_CLASSES and dataset.get("Modality") != "US":
        raise ClipError(f"{name}: holds no ultrasound picture; leave it out of the exam's folder.")
    return dataset


def _is_known(syntax: UID) -> bool:
    from pydicom.pixels.decoders.base import get_decoder

    if syntax in VIDEO_SYNTAXES:
        return True
    try:
        return bool(get_decoder(syntax).is_available)
    except NotImplementedError:
        return False


def _pixel_element(file: BinaryIO, syntax: UID, name: str) -> tuple[str | None, int]:
    """Value representation and length of the element at the file's position, which is left at its value."""
    order: Literal["little", "big"] = "little" if syntax.is_little_endian else "big"
    head = file.read(8)
    if tuple(int.from_bytes(head[place : place + 2], order) for place in (0, 2)) != PIXEL_DATA_TAG:
        raise ClipError(f"{name}: ends before its pictures begin, or holds none; copy it from the scanner again.")
    if syntax.is_implicit_VR:
        return None, int.from_bytes(head[4:], order)
    return head[4:6].decode("ascii"), int.from_bytes(file.read(4), order)
