from __future__ import annotations

import struct
import time
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from pipeline.bench.input_files.hostile_pictures import (
    flat_jpeg,
    jpeg_with_scans,
    jpeg_with_second_size,
    small_jpeg,
)
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.video_files import HEIGHT, WIDTH, block_picture


def greys(path: Path, settings: IngestSettings) -> list[NDArray[np.uint8]]:
    with open_clip(path, settings) as clip:
        frames = list(clip)
        assert clip.reason is None
    assert [frame.index for frame in frames] == list(range(len(frames)))
    assert all(frame.time_s is None for frame in frames)
    return [frame.grey for frame in frames]


def folder_of(tmp_path: Path, names: list[str]) -> Path:
    folder = tmp_path / "left-1"
    folder.mkdir()
    for index, name in enumerate(names):
        Image.fromarray(block_picture(index)).save(folder / name)
    return folder


def test_a_folder_is_a_clip_in_natural_order(tmp_path: Path, settings: IngestSettings) -> None:
    folder = folder_of(tmp_path, ["Im1.png", "im2.tif", "im9.png", "im10.PNG", "im010b.bmp", "im100.png"])
    (folder / "notes.txt").write_text("restless")
    (folder / ".im3.png").write_text("hidden")
    for index, grey in enumerate(greys(folder, settings)):
        np.testing.assert_array_equal(grey, block_picture(index))


def test_a_folder_is_read_up_to_a_damaged_picture(tmp_path: Path, settings: IngestSettings) -> None:
    folder = folder_of(tmp_path, ["1.png", "2.png", "3.png"])
    (folder / "3.png").write_bytes((folder / "3.png").read_bytes()[:90])
    with open_clip(folder, settings) as clip:
        assert len(list(clip)) == clip.broken_after_frames == 2
        assert str(clip.reason).startswith("left-1: only the first 2 frames could be read; 3.png: ")
    (folder / "1.png").write_text("no picture")
    with pytest.raises(ClipError, match="no picture that can be read"):
        open_clip(folder, settings)


def test_a_picture_of_another_size_ends_the_clip(tmp_path: Path, settings: IngestSettings) -> None:
    folder = folder_of(tmp_path, ["1.png", "2.png"])
    Image.fromarray(block_picture(2, HEIGHT, 2 * WIDTH)).save(folder / "3.png")
    with open_clip(folder, settings) as clip:
        assert len(list(clip)) == 2
        assert f"size changes there to {2 * WIDTH} x {HEIGHT}" in str(clip.reason)


def test_an_empty_folder_is_refused(tmp_path: Path, settings: IngestSettings) -> None:
    (tmp_path / "left").mkdir()
    with pytest.raises(ClipError, match="left: the folder holds no pictures"):
        open_clip(tmp_path / "left", settings)


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_deflate", "packbits"])
def test_every_page_of_a_tiff_is_a_frame(tmp_path: Path, settings: IngestSettings, compression: str) -> None:
    first, *others = [Image.fromarray(block_picture(index)) for index in range(5)]
    first.save(tmp_path / "a.tif", save_all=True, append_images=others, compression=compression)
    read = greys(tmp_path / "a.tif", settings)
    assert len(read) == 5
    for index, grey in enumerate(read):
        np.testing.assert_array_equal(grey, block_picture(index))


def test_a_truncated_tiff_is_read_up_to_its_end(tmp_path: Path, settings: IngestSettings) -> None:
    first, *others = [Image.fromarray(block_picture(index)) for index in range(5)]
    first.save(tmp_path / "a.tif", save_all=True, append_images=others)
    (tmp_path / "a.tif").write_bytes((tmp_path / "a.tif").read_bytes()[: int(2.5 * HEIGHT * WIDTH)])
    with open_clip(tmp_path / "a.tif", settings) as clip:
        assert 1 <= len(list(clip)) <= 3
        assert "cannot be read" in str(clip.reason)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_sixteen_bits_are_scaled_by_what_the_scanner_uses(tmp_path: Path, settings: IngestSettings, bits: int) -> None:
    bright, dark = np.full((64, 64), 2**bits - 1), np.full((64, 64), 2 ** (bits - 3))
    bright[:, 32:] = 2 ** (bits - 1)
    first, second = (Image.fromarray(values.astype(np.uint16)) for values in (bright, dark))
    first.save(tmp_path / "a.tif", save_all=True, append_images=[second])
    one, two = greys(tmp_path / "a.tif", settings)
    assert (one[0, 0], one[0, 40]) == (255, 128)
    # The darker page is scaled like the first one, not by itself.
    assert (two == 32).all()


def test_white_as_zero_is_inverted(tmp_path: Path, settings: IngestSettings) -> None:
    values = (255 - block_picture(1)).astype(np.uint16) * 257
    Image.fromarray(values).save(tmp_path / "a.tif", tiffinfo={262: 0})
    np.testing.assert_array_equal(greys(tmp_path / "a.tif", settings)[0], block_picture(1))


def test_floating_point_values_are_shares_of_white(tmp_path: Path, settings: IngestSettings) -> None:
    Image.fromarray(block_picture(1).astype(np.float32) / 255).save(tmp_path / "a.tif")
    assert np.abs(greys(tmp_path / "a.tif", settings)[0].astype(int) - block_picture(1)).max() <= 1


def chunk(kind: bytes, content: bytes) -> bytes:
    """A chunk of a PNG file (ISO/IEC 15948 section 5.3)."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png(path: Path, width: int, height: int, *chunks: bytes) -> Path:
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + chunk(b"IEND", b""))
    return path


BOMB = zlib.compress(bytes(200_000_000), 9)  # 200 kB


@pytest.mark.parametrize(
    ("width", "height", "chunks", "why"),
    [
        (100_000, 100_000, [chunk(b"IDAT", BOMB)], "far too large"),
        (8_000, 8_000, [chunk(b"IDAT", BOMB)], "8000 x 8000 pixels, more than 4096 a side"),
        (128, 96, [chunk(b"zTXt", b"a\0\0" + BOMB), chunk(b"IDAT", zlib.compress(bytes(96 * 129)))], "too large"),
        (128, 96, [chunk(b"IDAT", BOMB[:12])], "cut short"),
        (128, 96, [], "no picture that can be read"),
    ],
    ids=["gigantic", "large", "text", "truncated", "no pixels"],
)
def test_a_compression_bomb_is_refused_with_a_reason(
    tmp_path: Path, settings: IngestSettings, width: int, height: int, chunks: list[bytes], why: str
) -> None:
    path = png(tmp_path / "a.png", width, height, *chunks)
    began = time.monotonic()
    tracemalloc.start()
    try:
        with pytest.raises(ClipError, match=why):
            open_clip(path, settings)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    assert time.monotonic() - began < 5


def test_pixels_beyond_the_declared_size_are_not_decompressed(tmp_path: Path, settings: IngestSettings) -> None:
    (grey,) = greys(png(tmp_path / "a.png", 128, 96, chunk(b"IDAT", BOMB)), settings)
    assert grey.shape == (96, 128)


@pytest.mark.parametrize("error", [MemoryError(), zlib.error("Error -3"), EOFError(), AttributeError("tile")])
def test_every_error_of_a_decoder_becomes_a_reason(
    tmp_path: Path, settings: IngestSettings, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def load(image: Image.Image) -> None:
        raise error

    folder = folder_of(tmp_path, ["1.png"])
    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", load)
    with pytest.raises(ClipError, match=r"no picture that can be read, or cut short \(.+\); copy it again"):
        open_clip(folder / "1.png", settings)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (jpeg_with_second_size(small_jpeg(), 5_000, 5_000), "does not declare one size"),
        (jpeg_with_scans(flat_jpeg(128), 200), "is stored in 206 scans, more than 100"),
    ],
)
def test_a_jpeg_that_would_exhaust_the_decoder_is_refused(
    tmp_path: Path, settings: IngestSettings, content: bytes, reason: str
) -> None:
    (tmp_path / "a.jpg").write_bytes(content)
    with pytest.raises(ClipError, match=reason):
        open_clip(tmp_path / "a.jpg", settings)


def test_a_progressive_jpeg_is_read(tmp_path: Path, settings: IngestSettings) -> None:
    (tmp_path / "a.jpg").write_bytes(flat_jpeg(128))
    (grey,) = greys(tmp_path / "a.jpg", settings)
    assert abs(int(grey.mean()) - 90) <= 1


def test_names_do_not_change_the_digest_of_a_folder(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, ["1.png", "2.png", "3.png"])
    digest = file_sha256(folder)
    for number in (3, 2, 1):
        (folder / f"{number}.png").rename(folder / f"frame {number + 8}.PNG")
    renamed = folder.rename(tmp_path / "right")
    assert file_sha256(renamed) == digest
    (renamed / "frame 9.PNG").rename(renamed / "frame 99.PNG")  # changes the order
    assert file_sha256(renamed) != digest
