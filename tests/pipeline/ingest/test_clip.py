from __future__ import annotations

import errno
import hashlib
import itertools
import struct
import tracemalloc
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import av
import cv2
import numpy as np
import pytest
from PIL import Image

from pipeline.ingest.clip import open_clip
from pipeline.ingest.file_types import is_recording
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.video_files import (
    HEIGHT,
    WIDTH,
    block_picture,
    encode_video,
    read_all_frames,
    refusal_reason,
)

KINDS = [
    ("a.mp4", "libx264", "yuv420p"),
    ("a.mpg", "mpeg2video", "yuv420p"),
    ("a.avi", "mjpeg", "yuvj420p"),
    ("a.mov", "libx264", "yuv444p"),
    ("a.mkv", "libx264", "yuv420p10le"),
    ("a.gif", "gif", "gray"),
    ("grey.mov", "png", "gray"),
    ("colour.avi", "rawvideo", "bgr24"),
    ("a.wmv", "wmv2", "yuv420p"),
]


@pytest.mark.parametrize(("name", "codec", "pixels"), KINDS)
def test_frames_come_in_order_in_full_range(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str, pixels: str
) -> None:
    frames = read_all_frames(encode_video(tmp_path / name, codec, pixels=pixels), settings)
    assert [frame.index for frame in frames] == list(range(20))
    for frame in frames:
        assert frame.grey.shape == (HEIGHT, WIDTH)
        assert frame.grey.dtype == np.uint8
        assert abs(frame.grey.astype(float) - block_picture(frame.index)).mean() < 6.0
        assert frame.time_s == pytest.approx(frame.index / 25, abs=0.02)


@pytest.mark.parametrize(("name", "codec", "pixels"), KINDS)
def test_an_independent_decoder_gives_the_same_pictures(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str, pixels: str
) -> None:
    path = encode_video(tmp_path / name, codec, pixels=pixels)
    capture = cv2.VideoCapture(str(path))
    if not capture.isOpened():
        pytest.skip("OpenCV is built without a video decoder")
    expected = [cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY) for _, picture in iter(capture.read, (False, None))]
    capture.release()
    frames = read_all_frames(path, settings)
    assert len(frames) == len(expected)
    for frame, other in zip(frames, expected, strict=True):
        assert abs(frame.grey.astype(float) - other).mean() < 2.0


def test_limited_and_full_range_give_the_same_brightness(tmp_path: Path, settings: IngestSettings) -> None:
    limited = read_all_frames(encode_video(tmp_path / "a.mp4", "libx264", frames=1), settings)[0].grey
    full = read_all_frames(encode_video(tmp_path / "a.avi", "mjpeg", frames=1, pixels="yuvj420p"), settings)[0].grey
    assert abs(int(limited[:10].mean()) - 40) <= 2
    assert abs(int(full[:10].mean()) - 40) <= 2
    assert abs(int(limited[24, 12]) - 220) <= 3


def test_frame_rate_and_size(tmp_path: Path, settings: IngestSettings) -> None:
    with open_clip(encode_video(tmp_path / "a.mp4", "libx264"), settings) as clip:
        assert (clip.width, clip.height, clip.frame_rate) == (WIDTH, HEIGHT, 25.0)


def test_reading_a_file_twice_gives_the_same_frames(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264")
    first, second = read_all_frames(path, settings), read_all_frames(path, settings)
    assert all(np.array_equal(a.grey, b.grey) for a, b in zip(first, second, strict=True))


def test_more_threads_give_the_same_frames(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264")
    threaded = read_all_frames(path, settings.model_copy(update={"decode_threads": 2}))
    assert all(np.array_equal(a.grey, b.grey) for a, b in zip(read_all_frames(path, settings), threaded, strict=True))


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_rotation_is_applied(tmp_path: Path, settings: IngestSettings, quarter_turns: int) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264", frames=2)
    raw = bytearray(path.read_bytes())
    # The matrix in the track header (ISO/IEC 14496-12, 8.3.2), 16.16 fixed point, for a turn clockwise.
    place = raw.index(b"tkhd") + 4 + 40
    cosine, sine = [(0, 1), (-1, 0), (0, -1)][quarter_turns - 1]
    raw[place : place + 20] = struct.pack(">5i", cosine << 16, sine << 16, 0, -sine << 16, cosine << 16)
    path.write_bytes(raw)
    grey = read_all_frames(path, settings)[0].grey
    expected = np.rot90(block_picture(0), -quarter_turns)
    assert grey.shape == expected.shape
    assert abs(grey.astype(float) - expected).mean() < 6.0


def test_memory_does_not_grow_with_length(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.avi", "mjpeg", frames=400, pixels="yuvj420p")
    with open_clip(path, settings) as clip:
        next(clip)
        tracemalloc.start()
        count = sum(1 for _ in clip)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert count == 399
    assert peak < 20 * HEIGHT * WIDTH


@pytest.mark.parametrize("name", ["a.png", "a.JPG", "a.bmp", "a.tiff", "a.webp"])
def test_stills_are_clips_of_one_frame(tmp_path: Path, settings: IngestSettings, name: str) -> None:
    Image.fromarray(block_picture(3)).convert("RGB").save(tmp_path / name)
    with open_clip(tmp_path / name, settings) as clip:
        assert clip.frame_rate is None
        (frame,) = clip
    assert (frame.index, frame.time_s) == (0, None)
    assert abs(frame.grey.astype(float) - block_picture(3)).mean() < 3.0


def test_sixteen_bit_stills(tmp_path: Path, settings: IngestSettings) -> None:
    Image.fromarray(block_picture(0).astype(np.uint16) * 257).save(tmp_path / "a.png")
    assert np.array_equal(read_all_frames(tmp_path / "a.png", settings)[0].grey, block_picture(0))


def test_files_that_are_not_recordings(tmp_path: Path, settings: IngestSettings) -> None:
    path = tmp_path / "a.mp4"
    assert "no such file" in refusal_reason(path, settings)
    path.touch()
    assert "the file is empty" in refusal_reason(path, settings)
    path.write_text("Dear colleague, this is not a clip.\n" * 40)
    assert "text file under a video's name" in refusal_reason(path, settings)
    path.write_bytes(np.random.default_rng(1).bytes(20_000))
    assert "not a supported video format" in refusal_reason(path, settings)
    (tmp_path / "a.png").write_text("no picture")
    assert "no picture that can be read" in refusal_reason(tmp_path / "a.png", settings)


@pytest.mark.parametrize(("name", "advice"), [("left.ZIP", "unpack it"), ("a.heic", "export it as JPEG")])
def test_what_may_hold_recordings_is_not_skipped_silently(
    tmp_path: Path, settings: IngestSettings, name: str, advice: str
) -> None:
    path = tmp_path / name
    path.write_bytes(b"PK")
    assert is_recording(path)
    assert advice in refusal_reason(path, settings)


def test_a_file_without_read_permission(
    tmp_path: Path, settings: IngestSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264", frames=2)
    denied = PermissionError(errno.EACCES, "Permission denied")
    monkeypatch.setattr(Path, "open", Mock(side_effect=denied))
    assert "cannot be read: Permission denied" in refusal_reason(path, settings)


@pytest.mark.parametrize("text", ["#EXTM3U\n#EXTINF:2,\nb.mp4\n#EXT-X-ENDLIST\n", "ffconcat version 1.0\nfile b.mp4\n"])
def test_play_lists_do_not_open_other_files(tmp_path: Path, settings: IngestSettings, text: str) -> None:
    encode_video(tmp_path / "b.mp4", "libx264", frames=2)
    (tmp_path / "a.mp4").write_text(text)
    assert "text file" in refusal_reason(tmp_path / "a.mp4", settings)


def test_a_truncated_mp4_without_an_index(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "cut off before its index was written" in refusal_reason(path, settings)


def test_a_clip_of_zero_frames(tmp_path: Path, settings: IngestSettings) -> None:
    assert "no frame could be decoded" in refusal_reason(
        encode_video(tmp_path / "a.avi", "mjpeg", 0, "yuvj420p"), settings
    )


def test_sound_without_pictures(tmp_path: Path, settings: IngestSettings) -> None:
    with av.open(str(tmp_path / "a.mkv"), "w") as container:
        stream: Any = container.add_stream("pcm_s16le", rate=8000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 8000), np.int16), format="s16", layout="mono")
        sound.sample_rate = 8000
        container.mux(stream.encode(sound))
        container.mux(stream.encode(None))
    assert "holds no pictures" in refusal_reason(tmp_path / "a.mkv", settings)


def test_sizes_outside_the_settings(tmp_path: Path, settings: IngestSettings) -> None:
    Image.new("L", (8, 8)).save(tmp_path / "a.gif")
    assert "only 8 x 8 pixels, less than 64" in refusal_reason(tmp_path / "a.gif", settings)
    path = encode_video(tmp_path / "a.mp4", "libx264", frames=2)
    small = settings.model_copy(update={"maximum_side_px": 120})
    assert "128 x 96 pixels, more than 120 a side" in refusal_reason(path, small)
    Image.new("L", (200, 100)).save(tmp_path / "a.png")
    assert "200 x 100 pixels, more than 120 a side" in refusal_reason(tmp_path / "a.png", small)


def test_gigantic_declared_sizes_are_refused_before_decoding(tmp_path: Path, settings: IngestSettings) -> None:
    path = tmp_path / "a.gif"
    Image.fromarray(block_picture(0)).save(path)
    raw = bytearray(path.read_bytes())
    raw[6:10] = struct.pack("<HH", 60_000, 60_000)
    path.write_bytes(raw)
    reason = refusal_reason(path, settings)
    assert "larger than the settings allow" in reason or "60000 x 60000" in reason


@pytest.mark.parametrize(
    ("name", "codec", "pixels", "kept"),
    [
        ("a.mp4", "libx264", "yuv420p", 0.8),
        ("a.avi", "mjpeg", "yuvj420p", 0.5),
        ("a.mkv", "mjpeg", "yuvj420p", 0.5),
    ],
)
def test_a_stream_that_breaks_keeps_what_was_read(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str, pixels: str, kept: float
) -> None:
    path = encode_video(tmp_path / name, codec, 100, pixels, movflags="faststart")
    path.write_bytes(path.read_bytes()[: int(kept * path.stat().st_size)])
    with open_clip(path, settings) as clip:
        frames = list(clip)
        assert 10 < len(frames) < 90
        assert clip.broken_after_frames == len(frames)
        assert clip.reason is not None
        assert clip.reason.startswith(f"{name}: only the first {len(frames)} frames could be read")
    assert all(abs(frame.grey.astype(float) - block_picture(frame.index)).mean() < 6.0 for frame in frames)


def test_a_clip_can_be_iterated_once(tmp_path: Path, settings: IngestSettings) -> None:
    with open_clip(encode_video(tmp_path / "a.mp4", "libx264"), settings) as clip:
        assert [frame.index for frame in itertools.islice(clip, 5)] == [0, 1, 2, 3, 4]
        assert next(clip).index == 5
        assert len(list(clip)) == 14
        assert list(clip) == []
    with open_clip(tmp_path / "a.mp4", settings) as clip:
        pass
    assert [frame.index for frame in clip] == [0]


def test_file_sha256(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"echo" * 300_000)
    assert file_sha256(tmp_path / "a") == hashlib.sha256(b"echo" * 300_000).hexdigest()
    with pytest.raises(ClipError, match="cannot be read"):
        file_sha256(tmp_path / "none")
