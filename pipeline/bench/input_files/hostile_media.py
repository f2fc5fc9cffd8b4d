"""Recordings that were made to exhaust the machine that reads them: small files that declare or repeat very much.

A file is determined by the seed and its number. Reading it must take neither the memory nor the night: it is read,
refused, or ended at a limit of the worker.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bench.input_files import hostile_pictures as pictures
from pipeline.bench.input_files.reading_trial import TrialFile, TrialReport, read_files
from pipeline.bench.input_files.sample_dicom_files import dicom_header, save_dicom
from pipeline.settings import Settings

__all__ = ["HOSTILE_KINDS", "hostile_files", "try_hostile_media"]

_LARGEST_JPEG_PX = 65_500
_LARGEST_SIDE_PX = 4096  # that the settings allow
_SMALL = np.zeros((1, 64, 64), np.uint8)  # the size that DICOM headers declare


def try_hostile_media(
    folder: Path,
    cases: int,
    seed: int,
    settings: Settings,
    *,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> TrialReport:
    """Read that many files. folder : created if missing; keeps the files that did harm"""
    files = hostile_files(cases, seed)
    return read_files(
        folder,
        files,
        settings,
        seed=seed,
        group=lambda file: file.kind,
        progress=lambda done: progress(done, cases),
    )


def hostile_files(cases: int, seed: int) -> Iterator[TrialFile]:
    """Files of all kinds in turn."""
    kinds = list(HOSTILE_KINDS.items())
    for number in range(cases):
        (kind, (suffix, content)) = kinds[number % len(kinds)]
        rng = np.random.default_rng([seed, number])
        yield TrialFile(f"hostile{suffix}", kind, content(rng))


def _dicom(frame: bytes, syntax: str = "JPEGBaseline8Bit", frames: int = 1) -> bytes:
    from pydicom import uid
    from pydicom.encaps import encapsulate

    file = io.BytesIO()
    header = dicom_header(np.repeat(_SMALL, frames, axis=0), getattr(uid, syntax))
    save_dicom(header, file, encapsulate([frame] * frames), compressed=True)
    return file.getvalue()


def _large_size(rng: np.random.Generator) -> tuple[int, int]:
    rows, columns = rng.integers(_LARGEST_SIDE_PX, _LARGEST_JPEG_PX, 2).tolist()
    return rows, columns


def _hidden(jpeg: bytes, rng: np.random.Generator) -> bytes:
    """Stray bytes after the start, over which decoders skip."""
    return jpeg[:2] + bytes(rng.integers(0, 255, int(rng.integers(1, 9)), np.uint8)) + jpeg[2:]


def _dicom_hidden_size(rng: np.random.Generator) -> bytes:
    return _dicom(_hidden(pictures.with_jpeg_size(pictures.small_jpeg(), *_large_size(rng)), rng))


def _dicom_other_size(rng: np.random.Generator) -> bytes:
    return _dicom(pictures.with_jpeg_size(pictures.small_jpeg(), *_large_size(rng)))


def _dicom_no_size(rng: np.random.Generator) -> bytes:
    return _dicom(pictures.small_jpeg().replace(b"\xff\xc0", b"\xff\xe5") + rng.bytes(100))


def _dicom_two_sizes(rng: np.random.Generator) -> bytes:
    return _dicom(pictures.jpeg_with_second_size(pictures.small_jpeg(), *_large_size(rng)))


def _dicom_scans(rng: np.random.Generator) -> bytes:
    scans = int(rng.integers(200, 20_000))
    return _dicom(pictures.jpeg_with_scans(pictures.flat_jpeg(64), scans), frames=int(rng.integers(1, 50)))


def _dicom_jpeg_2000(rng: np.random.Generator) -> bytes:
    """A codestream that declares a large picture, or thousands of values for each pixel."""
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(_SMALL[0]).save(file, "JPEG2000", no_jp2=True)
    data = bytearray(file.getvalue())
    if rng.integers(2):
        data[8:16] = b"".join(size.to_bytes(4, "big") for size in _large_size(rng))
    else:
        data[40:42] = int(rng.integers(100, 16_384)).to_bytes(2, "big")
    return _dicom(bytes(data), "JPEG2000Lossless")


def _dicom_frames(rng: np.random.Generator) -> bytes:
    """Many large frames declared, and few bytes."""
    from pydicom import uid

    file = io.BytesIO()
    header = dicom_header(_SMALL, uid.ExplicitVRLittleEndian, NumberOfFrames=int(rng.integers(10**4, 10**6)))
    header.Rows = header.Columns = _LARGEST_SIDE_PX
    save_dicom(header, file, bytes(int(rng.integers(1, 2**20)) * 2))
    return file.getvalue()


def _gif(rng: np.random.Generator) -> bytes:
    return pictures.gif_of_tiny_frames(int(rng.integers(1024, _LARGEST_SIDE_PX + 1)), int(rng.integers(200, 3001)))


def _jpeg_scans(rng: np.random.Generator) -> bytes:
    return pictures.jpeg_with_scans(pictures.flat_jpeg(_LARGEST_SIDE_PX), int(rng.integers(5, 400)))


def _jpeg_hidden_size(rng: np.random.Generator) -> bytes:
    return _hidden(pictures.with_jpeg_size(pictures.small_jpeg(), *_large_size(rng)), rng)


def _jpeg_two_sizes(rng: np.random.Generator) -> bytes:
    return pictures.jpeg_with_second_size(pictures.small_jpeg(), *_large_size(rng))


def _png(rng: np.random.Generator) -> bytes:
    return pictures.png_that_declares(int(rng.integers(1000, 100_000)), int(rng.integers(0, 10**8)))


def _tiff(rng: np.random.Generator) -> bytes:
    side = int(rng.integers(1024, _LARGEST_SIDE_PX + 1))
    return pictures.tiff_of_shared_pages(side, int(rng.integers(2, 2000)), endless=bool(rng.integers(2)))


def _mjpeg(rng: np.random.Generator) -> bytes:
    """A video whose frames are one large JPEG of many scans; a Matroska file need not say how many there are."""
    import av

    side = int(rng.choice([1024, 2048, _LARGEST_SIDE_PX]))
    jpeg = pictures.jpeg_with_scans(pictures.flat_jpeg(side), int(rng.integers(0, 400)))
    file = io.BytesIO()
    with av.open(file, "w", format="matroska" if rng.integers(2) else "avi") as container:
        stream: Any = container.add_stream("mjpeg", rate=25)
        stream.width = stream.height = side
        stream.pix_fmt = "yuvj420p"
        for number in range(int(rng.integers(10, 60))):
            packet: Any = av.Packet(jpeg)
            packet.stream, packet.pts, packet.dts, packet.time_base = stream, number, number, Fraction(1, 25)
            container.mux(packet)
    return file.getvalue()


HOSTILE_KINDS: dict[str, tuple[str, Callable[[np.random.Generator], bytes]]] = {
    "DICOM, hidden size": (".dcm", _dicom_hidden_size),
    "DICOM, other size": (".dcm", _dicom_other_size),
    "DICOM, no size": (".dcm", _dicom_no_size),
    "DICOM, two sizes": (".dcm", _dicom_two_sizes),
    "DICOM, scans": (".dcm", _dicom_scans),
    "DICOM, JPEG 2000": (".dcm", _dicom_jpeg_2000),
    "DICOM, frames": (".dcm", _dicom_frames),
    "GIF, frames": (".gif", _gif),
    "JPEG, scans": (".jpg", _jpeg_scans),
    "JPEG, hidden size": (".jpg", _jpeg_hidden_size),
    "JPEG, two sizes": (".jpg", _jpeg_two_sizes),
    "PNG, size, comment": (".png", _png),
    "TIFF, pages": (".tif", _tiff),
    "video of JPEG": (".avi", _mjpeg),
}
"""By kind: the suffix of the file, and what makes it."""
