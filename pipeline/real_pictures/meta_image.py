"""Sequences of tracked pictures in MetaImage files: the header's lines, and the pictures after it.

The format is that of ITK's MetaIO, with the fields that PLUS adds for each frame, such as
``Seq_Frame0012_ProbeToTrackerTransform``: a matrix (4, 4) by rows, from the probe's millimetres to the tracker's.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Frame
from pipeline.real_pictures.region_overlap import RealPicturesError

__all__ = ["MetaImageSequence", "read_meta_image"]

Floats = NDArray[np.float64]

_MAX_HEADER_BYTES = 64 << 20
_MAX_PICTURE_BYTES = 8 << 30  # of all frames together
_FRAME_FIELD = re.compile(r"Seq_Frame(\d+)_(\w+)")
_PROBE = re.compile(r"ProbeTo(\w+)Transform")


@dataclass(frozen=True)
class MetaImageSequence:
    """A recording (`pipeline.ingest.clip.Recording`) whose header says where the probe was in each frame.

    pictures : (F, H, W) uint8
    probe_mm : (F, 3) the probe's origin, seen from the reference if it was tracked too; NaN where it was not
    """

    pictures: NDArray[np.uint8]
    probe_mm: Floats
    frame_rate: float | None
    calibration: RegionCalibration = field(default_factory=RegionCalibration)
    reason: str | None = None

    def __iter__(self) -> Iterator[Frame]:
        for index, picture in enumerate(self.pictures):
            yield Frame(index, None if self.frame_rate is None else index / self.frame_rate, picture)

    @property
    def width(self) -> int:
        return int(self.pictures.shape[2])

    @property
    def height(self) -> int:
        return int(self.pictures.shape[1])


def read_meta_image(path: Path) -> MetaImageSequence:
    """A file with its pictures inside (``.mha``), grey, of eight bits. Raises RealPicturesError for any other."""
    try:
        header, data = _split(path.read_bytes())
        width, height, frames = (int(each) for each in header["DimSize"].split())
        if header.get("ElementType") != "MET_UCHAR" or header.get("ElementNumberOfChannels", "1") != "1":
            raise ValueError("its pictures are not grey with eight bits")
        if width * height * frames > _MAX_PICTURE_BYTES:
            raise ValueError(f"{frames} frames of {width} x {height} pixels are too many")
        pictures = np.frombuffer(_decompressed(header, data, width * height * frames), np.uint8)
        of_frames = _frame_fields(header, frames)
        probe = np.array([_probe_mm(fields) for fields in of_frames])
        return MetaImageSequence(pictures.reshape(frames, height, width), probe, _frame_rate(of_frames))
    except (OSError, ValueError, KeyError, zlib.error) as error:
        raise RealPicturesError(
            f"{path} cannot be read ({error!r}). It must be a MetaImage sequence (.mha) with a ProbeTo...Transform for "
            "each frame."
        ) from error


def _split(content: bytes) -> tuple[dict[str, str], bytes]:
    """The header's fields, and the bytes after it."""
    end = content.find(b"ElementDataFile", 0, _MAX_HEADER_BYTES)
    line_end = content.find(b"\n", end)
    if end < 0 or line_end < 0:
        raise ValueError("no MetaImage header")
    pairs = (line.partition("=") for line in content[:line_end].decode("latin-1").splitlines())
    header = {name.strip(): value.strip() for name, _, value in pairs}
    if header["ElementDataFile"] != "LOCAL":
        raise ValueError("its pictures are in another file")
    return header, content[line_end + 1 :]


def _decompressed(header: Mapping[str, str], data: bytes, size: int) -> bytes:
    """Exactly so many bytes. Raises ValueError if there are fewer."""
    if header.get("CompressedData", "False") == "True":
        data = zlib.decompressobj().decompress(data, size)
    if len(data) < size:
        raise ValueError(f"only {len(data)} of {size} bytes are there")
    return data[:size]


def _frame_fields(header: Mapping[str, str], frames: int) -> list[dict[str, str]]:
    fields: list[dict[str, str]] = [{} for _ in range(frames)]
    for name, value in header.items():
        match = _FRAME_FIELD.fullmatch(name)
        if match and int(match[1]) < frames:
            fields[int(match[1])][match[2]] = value
    return fields


def _probe_mm(fields: Mapping[str, str]) -> Floats:
    """(3,) NaN where the probe or the reference was not seen."""
    frames = [match[1] for match in map(_PROBE.fullmatch, fields) if match]
    if not frames:
        raise ValueError("a frame without ProbeTo...Transform")
    to = frames[0]
    probe = _matrix(fields, f"ProbeTo{to}Transform")
    if f"ReferenceTo{to}Transform" in fields:
        probe = np.asarray(np.linalg.solve(_matrix(fields, f"ReferenceTo{to}Transform"), probe), np.float64)
    return np.asarray(probe[:3, 3])


def _matrix(fields: Mapping[str, str], name: str) -> Floats:
    if fields.get(f"{name}Status", "OK") != "OK":
        return np.where(np.eye(4) == 1, 1.0, np.nan)
    return np.array(fields[name].split(), dtype=np.float64).reshape(4, 4)


def _frame_rate(of_frames: list[dict[str, str]]) -> float | None:
    """From the median time between two frames."""
    if len(of_frames) < 2 or any("Timestamp" not in fields for fields in of_frames):
        return None
    step = float(np.median(np.diff([float(fields["Timestamp"]) for fields in of_frames])))
    return 1 / step if step > 0 else None
