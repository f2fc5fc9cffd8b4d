"""DICOM files that are damaged, contradict themselves or were made to do harm."""

from __future__ import annotations

import io
import os
import struct
import time
import tracemalloc
import zlib
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import JPEGBaseline8Bit

from pipeline.bench.input_files.hostile_pictures import flat_jpeg, jpeg_with_scans, with_jpeg_size
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings
from pipeline.worker.process_use import peak_mib
from tests.pipeline.ingest.dicom.dicom_files import (
    block_pictures,
    encode_jpegs,
    make_dataset,
    write_dicom,
    write_jpeg_dicom,
    write_uncompressed_dicom,
)
from tests.pipeline.ingest.video_files import refusal_reason


def read_until_broken(path: Path, settings: IngestSettings) -> tuple[int, str]:
    """The number of frames before the clip breaks, and the reason."""
    with open_clip(path, settings) as clip:
        frames = list(clip)
        assert clip.broken_after_frames == len(frames)
        assert clip.reason is not None
    return len(frames), clip.reason


def truncate(path: Path, by_bytes: int) -> Path:
    path.write_bytes(path.read_bytes()[:-by_bytes])
    return path


def test_a_truncated_uncompressed_file_keeps_its_complete_frames(tmp_path: Path, settings: IngestSettings) -> None:
    frames, reason = read_until_broken(truncate(write_uncompressed_dicom(tmp_path / "a.dcm"), 10), settings)
    assert frames == 2
    assert "the file ends there, but its header declares 3 frames" in reason


@pytest.mark.parametrize("has_bot", [True, False])
def test_a_truncated_compressed_file_keeps_its_complete_frames(
    tmp_path: Path, settings: IngestSettings, has_bot: bool
) -> None:
    path = write_jpeg_dicom(tmp_path / "a.dcm", encode_jpegs(block_pictures(5)), has_bot=has_bot)
    frames, reason = read_until_broken(truncate(path, 300), settings)
    assert frames == 4
    assert "its header declares 5 frames" in reason


@pytest.mark.parametrize(
    ("kept", "why"),
    [
        (0, "the file is empty"),
        (3, "not a DICOM file"),
        (132, "header is damaged"),
        (200, "header is damaged"),
        (400, "header is damaged"),
        (800, "cut short within its first picture; copy it from the scanner again"),
    ],
)
def test_a_file_truncated_before_or_in_its_first_picture(
    tmp_path: Path, settings: IngestSettings, kept: int, why: str
) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm")
    path.write_bytes(path.read_bytes()[:kept])
    assert why in refusal_reason(path, settings)


def test_other_files_named_as_dicom(tmp_path: Path, settings: IngestSettings) -> None:
    (tmp_path / "a.dcm").write_bytes(b"not DICOM" * 100)
    assert "not a DICOM file, though its name says so" in refusal_reason(tmp_path / "a.dcm", settings)
    (tmp_path / "b").write_bytes(b"\0" * 128 + b"DICM" + np.random.default_rng(3).bytes(4000))
    assert refusal_reason(tmp_path / "b", settings)


@pytest.mark.parametrize(
    ("elements", "why"),
    [
        ({"Rows": 60000, "Columns": 60000}, "60000 x 60000 pixels, more than 4096 a side"),
        ({"Rows": 0}, "3 frames of 128 x 0 pixels"),
        ({"NumberOfFrames": -3}, "-3 frames"),
        ({"NumberOfFrames": 2_000_000_000}, "2000000000 frames"),
        ({"BitsAllocated": 32}, "1 values of 32 bits"),
        ({"SamplesPerPixel": 4}, "4 values of 8 bits"),
        ({"Rows": None}, "header is damaged or contradicts itself"),
        ({"PhotometricInterpretation": "RGB"}, "not one picture can be read"),
        ({"PhotometricInterpretation": "PALETTE COLOR"}, "not one picture can be read"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_impossible_headers(tmp_path: Path, settings: IngestSettings, elements: dict[str, Any], why: str) -> None:
    assert why in refusal_reason(write_uncompressed_dicom(tmp_path / "a.dcm", **elements), settings)


def test_more_frames_declared_than_stored(tmp_path: Path, settings: IngestSettings) -> None:
    frames, reason = read_until_broken(write_uncompressed_dicom(tmp_path / "a.dcm", NumberOfFrames=900_000), settings)
    assert frames == 3
    assert "its header declares 900000 frames" in reason


def test_compressed_data_that_do_not_begin_with_a_fragment(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_jpeg_dicom(tmp_path / "a.dcm")
    raw = bytearray(path.read_bytes())
    tag = raw.index(b"\xff\xd8\xff") - 8  # the head of the first fragment
    raw[tag : tag + 4] = bytes(4)
    path.write_bytes(raw)
    assert "the compressed pictures are not where they should be" in refusal_reason(path, settings)


def test_a_compressed_picture_of_another_size_is_not_decoded(tmp_path: Path, settings: IngestSettings) -> None:
    encoded = bytearray(encode_jpegs(block_pictures(1))[0])
    start = encoded.index(b"\xff\xc0")
    encoded[start + 5 : start + 9] = struct.pack(">2H", 65_000, 65_000)
    path = write_jpeg_dicom(tmp_path / "a.dcm", [bytes(encoded)] * 3)
    tracemalloc.start()
    reason = refusal_reason(path, settings)
    assert tracemalloc.get_traced_memory()[1] < 10_000_000
    tracemalloc.stop()
    assert "the header declares pictures of 128 x 96 pixels, but the picture there has 65000 x 65000" in reason


@pytest.mark.parametrize("stray", [b"\0", b"\xab\xcd\xef"])
def test_a_compressed_picture_that_hides_its_size_is_not_decoded(
    tmp_path: Path, settings: IngestSettings, stray: bytes
) -> None:
    encoded = with_jpeg_size(encode_jpegs(block_pictures(1))[0], 65_500, 65_500)
    path = write_jpeg_dicom(tmp_path / "a.dcm", [encoded[:2] + stray + encoded[2:]])
    before = peak_mib(os.getpid())
    assert "hide the size of the picture" in refusal_reason(path, settings)
    assert peak_mib(os.getpid()) - before < 100


def test_a_compressed_picture_of_other_colours_or_many_scans_is_not_decoded(
    tmp_path: Path, settings: IngestSettings
) -> None:
    colour = io.BytesIO()
    Image.new("RGB", (128, 96)).save(colour, "JPEG")
    path = write_jpeg_dicom(tmp_path / "a.dcm", [colour.getvalue()])
    assert "has 3 values a pixel in 1 scans" in refusal_reason(path, settings)
    scans = with_jpeg_size(jpeg_with_scans(flat_jpeg(64), 200), 96, 128)
    path = write_jpeg_dicom(tmp_path / "b.dcm", [scans])
    assert "in 206 scans" in refusal_reason(path, settings)


def test_a_compressed_picture_larger_than_its_pixels_is_refused(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_jpeg_dicom(tmp_path / "a.dcm", [encode_jpegs(block_pictures(1))[0] + b"\0" * 200_000] * 3)
    assert "larger than its pixels can be" in refusal_reason(path, settings)


def test_damage_in_the_middle_ends_the_clip_there(tmp_path: Path, settings: IngestSettings) -> None:
    encoded = encode_jpegs(block_pictures(4))
    encoded[2] = b"\xff\xd8" + b"\x55" * (len(encoded[2]) // 2 * 2)
    frames, reason = read_until_broken(write_jpeg_dicom(tmp_path / "a.dcm", encoded), settings)
    assert frames == 2
    assert "the data there are damaged" in reason


def test_compressed_data_under_an_uncompressed_transfer_syntax(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_jpeg_dicom(tmp_path / "a.dcm")
    path.write_bytes(path.read_bytes().replace(b"1.2.840.10008.1.2.4.50", b"1.2.840.10008.1.2.1\0\0\0"))
    assert "contradicts its data on whether they are compressed" in refusal_reason(path, settings)


def test_a_deflated_file_is_not_inflated(tmp_path: Path, settings: IngestSettings) -> None:
    """Deflated files (PS3.5 section A.5) may inflate to a thousand times their size."""
    plain = write_uncompressed_dicom(tmp_path / "a.dcm").read_bytes()
    uid = b"1.2.840.10008.1.2.1\0"
    place = plain.index(uid) - 8
    head = bytearray(plain[:place] + struct.pack("<HH2sH", 2, 0x10, b"UI", 22) + b"1.2.840.10008.1.2.1.99")
    (length,) = struct.unpack("<L", head[140:144])
    head[140:144] = struct.pack("<L", length + 2)
    rest = plain[place + 8 + len(uid) :]
    meta_end = 144 + length + 2 - len(head)
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = deflate.compress(rest[meta_end:] + b"\0" * 50_000_000) + deflate.flush()
    (tmp_path / "b.dcm").write_bytes(bytes(head) + rest[:meta_end] + body)
    tracemalloc.start()
    reason = refusal_reason(tmp_path / "b.dcm", settings)
    assert tracemalloc.get_traced_memory()[1] < 5_000_000
    tracemalloc.stop()
    assert "packed as a whole (deflated)" in reason


def test_an_endless_header_is_refused(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm")
    raw = path.read_bytes()
    place = raw.index(struct.pack("<HH", 8, 0x16))
    empty = struct.pack("<HH2sH", 8, 0x08, b"CS", 0)
    path.write_bytes(raw[:place] + empty * 1_000_000 + raw[place:])
    begin = time.process_time()
    assert "header is damaged" in refusal_reason(path, settings)
    assert time.process_time() - begin < 10


def test_a_deeply_nested_header_gives_no_scale(tmp_path: Path, settings: IngestSettings) -> None:
    dataset = make_dataset(block_pictures())
    inner = Dataset()
    for _ in range(60):
        outer = Dataset()
        outer.SequenceOfUltrasoundRegions = Sequence([inner])
        inner = outer
    dataset.SequenceOfUltrasoundRegions = inner.SequenceOfUltrasoundRegions
    path = write_dicom(tmp_path / "a.dcm", dataset, block_pictures().tobytes())
    with open_clip(path, settings) as clip:
        assert clip.calibration.mm_per_px is None
        assert len(list(clip)) == 3


def test_an_unsupported_compression_is_named(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_jpeg_dicom(tmp_path / "a.dcm")
    raw = path.read_bytes()
    assert str(JPEGBaseline8Bit).encode() == b"1.2.840.10008.1.2.4.50"
    path.write_bytes(raw.replace(b"1.2.840.10008.1.2.4.50", b"1.2.840.10008.1.2.4.94"))
    assert "stored as JPIP Referenced; export it as JPEG or without compression" in refusal_reason(path, settings)


@pytest.mark.parametrize("seed", range(3))
def test_random_damage_gives_a_reason_or_fewer_frames(tmp_path: Path, settings: IngestSettings, seed: int) -> None:
    rng = np.random.default_rng(seed)
    originals = [
        write_uncompressed_dicom(tmp_path / "n.dcm").read_bytes(),
        write_jpeg_dicom(tmp_path / "j.dcm").read_bytes(),
    ]
    path = tmp_path / "damaged.dcm"
    for number in range(60):
        raw = np.frombuffer(originals[number % 2], np.uint8).copy()
        # Mostly in the header, which decides how the rest is read.
        end = len(raw) if number % 5 == 0 else 1000
        places = rng.integers(132, end, rng.integers(1, 8))
        raw[places] = rng.integers(0, 256, len(places))
        path.write_bytes(raw.tobytes())
        with suppress(ClipError), open_clip(path, settings) as clip:
            assert len(list(clip)) <= 3
