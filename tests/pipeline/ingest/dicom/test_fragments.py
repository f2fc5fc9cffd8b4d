"""Fragments as one file, and how they are divided into frames."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from pydicom.encaps import encapsulate, generate_fragmented_frames

from pipeline.ingest.dicom.fragments import (
    ITEM_TAG,
    MAX_FRAGMENTS,
    DamagedFragmentsError,
    Fragment,
    FragmentStream,
    locate_frames,
)
from tests.pipeline.ingest.dicom.dicom_files import block_pictures, encode_jpegs

EMPTY_ITEM = ITEM_TAG + bytes(4)


def test_reading_and_seeking_match_the_joined_bytes() -> None:
    rng = np.random.default_rng(5)
    content = rng.bytes(3000)
    fragments = [Fragment(*pair) for pair in [(10, 500), (700, 0), (900, 1), (1200, 900), (2999, 1)]]
    joined = io.BytesIO(b"".join(content[start : start + length] for start, length in fragments))
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


@pytest.mark.parametrize("content", [b"", ITEM_TAG, EMPTY_ITEM])
def test_nothing_stored(content: bytes) -> None:
    assert locate_frames(io.BytesIO(content), 3) == []


@pytest.mark.parametrize("has_bot", [True, False])
@pytest.mark.parametrize("fragments_per_frame", [1, 2, 3])
@pytest.mark.parametrize("number", [1, 4])
def test_frames_of_intact_data_are_those_of_pydicom(number: int, fragments_per_frame: int, has_bot: bool) -> None:
    stored = encapsulate(encode_jpegs(block_pictures(number)), fragments_per_frame=fragments_per_frame, has_bot=has_bot)
    expected = list(generate_fragmented_frames(stored, number_of_frames=number))
    file = io.BytesIO(stored)
    located = locate_frames(file, number)
    assert [tuple(FragmentStream(file, [one]).read() for one in frame) for frame in located] == expected


def test_the_offset_table_separates_frames_whose_bytes_have_no_end_marker() -> None:
    stored = io.BytesIO(encapsulate([b"abcdefgh" * 4, b"12345678" * 4], fragments_per_frame=3))
    frames = locate_frames(stored, 2)
    assert [len(frame) for frame in frames] == [3, 3]
    joined = [FragmentStream(stored, frame).read() for frame in frames]
    assert joined == [b"abcdefgh" * 4, b"12345678" * 4]


def test_a_fragment_that_is_cut_short_is_left_out() -> None:
    stored = encapsulate([b"abcdefgh", b"12345678"], has_bot=False)
    assert len(locate_frames(io.BytesIO(stored), 2)) == 2
    assert len(locate_frames(io.BytesIO(stored[:-1]), 2)) == 1


def test_data_that_are_not_fragments() -> None:
    with pytest.raises(DamagedFragmentsError, match="not where they should be"):
        locate_frames(io.BytesIO(EMPTY_ITEM + bytes(40)), 3)


def test_endless_fragments_are_refused() -> None:
    with pytest.raises(DamagedFragmentsError, match="more than 1000000 fragments"):
        locate_frames(io.BytesIO(EMPTY_ITEM * (MAX_FRAGMENTS + 3)), 3)


def test_an_endless_offset_table_is_refused() -> None:
    length = 4 * MAX_FRAGMENTS + 4
    with pytest.raises(DamagedFragmentsError, match="table of pictures has more than 1000000 entries"):
        locate_frames(io.BytesIO(ITEM_TAG + struct.pack("<L", length) + bytes(length)), 3)
