"""Fragments as one file, against the joined bytes."""

from __future__ import annotations

import io

import numpy as np
import pytest
from pydicom.encaps import encapsulate

from pipeline.ingest.dicom.fragments import DamagedFragmentsError, FragmentStream, encoded_size, locate_frames
from tests.pipeline.ingest.dicom.dicom_files import block_pictures, encode_jpegs


def test_reading_and_seeking_are_those_of_the_joined_bytes() -> None:
    rng = np.random.default_rng(5)
    content = rng.bytes(3000)
    fragments = [(10, 500), (700, 0), (900, 1), (1200, 900), (2999, 1)]
    joined = io.BytesIO(b"".join(content[place : place + length] for place, length in fragments))
    stream = FragmentStream(io.BytesIO(content), fragments)
    assert stream.read() == joined.read()
    for _ in range(300):
        offset, size = int(rng.integers(0, 1600)), int(rng.integers(-1, 1600))
        assert stream.seek(offset) == joined.seek(offset)
        assert stream.read(size) == joined.read(size)
        assert stream.tell() == joined.tell()
    assert stream.seek(-7, io.SEEK_END) == joined.seek(-7, io.SEEK_END)
    assert stream.read() == joined.read()
    assert FragmentStream(io.BytesIO(content), []).read() == b""


def test_sizes_that_pictures_declare_themselves() -> None:
    assert encoded_size(encode_jpegs(block_pictures(1, 96, 128))[0]) == (96, 128)
    assert encoded_size(b"\xff\xd8\xff") is None
    assert encoded_size(b"\xff\xd8\xff\xe0\x00\x00" * 20) is None
    assert encoded_size(b"no picture") is None


@pytest.mark.parametrize("content", [b"", b"\xfe\xff\x00\xe0", b"\xfe\xff\x00\xe0\0\0\0\0"])
def test_nothing_stored(content: bytes) -> None:
    assert locate_frames(io.BytesIO(content), 3) == []


def test_the_table_of_offsets_tells_frames_apart_where_their_bytes_do_not() -> None:
    stored = io.BytesIO(encapsulate([b"abcdefgh" * 4, b"12345678" * 4], fragments_per_frame=3))
    frames = locate_frames(stored, 2)
    assert [len(frame) for frame in frames] == [3, 3]
    joined = [FragmentStream(stored, frame).read() for frame in frames]
    assert joined == [b"abcdefgh" * 4, b"12345678" * 4]


def test_data_that_are_no_fragments() -> None:
    with pytest.raises(DamagedFragmentsError, match="not where they should be"):
        locate_frames(io.BytesIO(b"\xfe\xff\x00\xe0\0\0\0\0" + bytes(40)), 3)
