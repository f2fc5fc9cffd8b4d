from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from pipeline.bench.input_files.hostile_pictures import (
    flat_jpeg,
    jpeg_with_scans,
    jpeg_with_second_size,
    small_jpeg,
    with_jpeg_size,
)
from pipeline.ingest.coded_picture import CodedPicture, read_coded_picture


def encoded(kind: str, colours: int = 1, **options: object) -> bytes:
    """Noise of 90 x 70 px."""
    shape = (90, 70) if colours == 1 else (90, 70, colours)
    file = io.BytesIO()
    picture = Image.fromarray(np.random.default_rng(0).integers(0, 256, shape, np.uint8))
    picture.save(file, kind, **options)
    return file.getvalue()


def test_intact_pictures_declare_their_size() -> None:
    assert read_coded_picture(encoded("JPEG")) == CodedPicture(90, 70, 1, 1)
    assert read_coded_picture(encoded("JPEG", 3, restart_marker_blocks=1)) == CodedPicture(90, 70, 3, 1)
    assert read_coded_picture(encoded("JPEG", 3, progressive=True)) == CodedPicture(90, 70, 3, 10)
    assert read_coded_picture(encoded("JPEG2000", 3, no_jp2=True)) == CodedPicture(90, 70, 3, 1)
    assert read_coded_picture(encoded("JPEG", comment=b"\xff\xc0" * 9)) == CodedPicture(90, 70, 1, 1)


def test_fill_bytes_hide_nothing() -> None:
    jpeg = small_jpeg()
    assert read_coded_picture(jpeg[:2] + b"\xff\xff" + jpeg[2:]) == CodedPicture(64, 64, 1, 1)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"no picture",
        b"\xff\xd8\xff",
        b"\xff\xd8\xff\xe0\x00\x00" * 20,
        b"\xff\x4f\xff\x51" + bytes(20),
        small_jpeg()[:2] + b"\0" + small_jpeg()[2:],  # a stray byte, over which decoders skip
        small_jpeg()[: small_jpeg().index(b"\xff\xc0") + 6],  # cut off within the size
        small_jpeg().replace(b"\xff\xc0", b"\xff\xe5"),
        jpeg_with_second_size(small_jpeg(), 64, 64),
        small_jpeg().replace(b"\xff\xd9", b"\xff\xdc\0\4\xff\xff\xff\xd9"),  # the number of lines at the end
        small_jpeg().replace(b"\xff\xc0", b"\xff\xde\0\x0b\x08\xff\xdc\xff\xdc\1\1\x11\0\xff\xc0"),  # hierarchical
    ],
    ids=range(11),
)
def test_a_size_that_is_missing_hidden_or_not_the_only_one(data: bytes) -> None:
    assert read_coded_picture(data) is None


def test_scans_are_counted_also_after_stray_bytes() -> None:
    once = read_coded_picture(flat_jpeg(64))
    assert once is not None
    many = jpeg_with_scans(flat_jpeg(64), 200)
    for data in (many, many.replace(b"\xff\xda", b"stray\xff\xda")):
        assert read_coded_picture(data) == CodedPicture(64, 64, 1, once.scans + 200)


def test_the_declared_size_is_the_one_that_a_decoder_takes() -> None:
    larger = with_jpeg_size(small_jpeg(), 80, 120)
    assert read_coded_picture(larger) == CodedPicture(80, 120, 1, 1)
    assert Image.open(io.BytesIO(larger)).size == (120, 80)
