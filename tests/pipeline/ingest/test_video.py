from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from pipeline.bench.input_files.hostile_pictures import gif_of_tiny_frames
from pipeline.ingest.clip import open_clip
from pipeline.ingest.display import deinterlace
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.video_files import (
    HEIGHT,
    WIDTH,
    block_picture,
    encode_video,
    ffprobe_frame_times,
    read_all_frames,
)

PAIRS = [
    ("a.mp4", "libx264", "yuv420p"),
    ("a.mp4", "libx265", "yuv420p10le"),
    ("a.mkv", "libx265", "yuv420p"),
    ("a.mov", "mpeg4", "yuv420p"),
    ("a.avi", "mjpeg", "yuvj422p"),
    ("a.avi", "mpeg4", "yuv420p"),
    ("a.mpg", "mpeg1video", "yuv420p"),
    ("a.mpeg", "mpeg2video", "yuv422p"),
    ("a.wmv", "wmv2", "yuv420p"),
    ("a.wmv", "msmpeg4v3", "yuv420p"),
    ("a.mkv", "ffv1", "gray16le"),
    ("a.avi", "ffv1", "yuv444p"),
    ("a.avi", "rawvideo", "yuyv422"),
    ("a.mov", "rawvideo", "rgb24"),
    ("a.avi", "huffyuv", "yuv422p"),
    ("a.gif", "gif", "gray"),
    ("a.mts", "libx264", "yuv420p"),
    ("a.vob", "mpeg2video", "yuv420p"),
    ("a.m2v", "mpeg2video", "yuv420p"),
    ("a.3gp", "mpeg4", "yuv420p"),
    ("a.flv", "libx264", "yuv420p"),
    ("a.asf", "wmv1", "yuv420p"),
]


@pytest.mark.parametrize(("name", "codec", "pixels"), PAIRS)
def test_counts_and_times_are_those_of_ffprobe(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str, pixels: str
) -> None:
    path = encode_video(tmp_path / name, codec, pixels=pixels, codec_options={"x265-params": "log-level=none"})
    frames, probed = read_all_frames(path, settings), ffprobe_frame_times(path)
    assert len(frames) == len(probed) == 20
    # Some versions of ffprobe give no time for the last frame of an MPEG stream.
    assert None not in probed[:-1]
    for frame, time_s in zip(frames, probed, strict=True):
        assert time_s is None or frame.time_s == pytest.approx(time_s, abs=2e-6)
    for frame in frames:
        assert abs(frame.grey.astype(float) - block_picture(frame.index)).mean() < 6.0


@pytest.mark.parametrize(
    ("name", "codec"), [("a.mp4", "libx264"), ("a.mkv", "libx264"), ("a.MOV", "mpeg4"), ("a.gif", "gif")]
)
def test_with_a_varying_frame_rate_every_frame_keeps_its_time(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str
) -> None:
    times = [0, 1, 2, 10, 11, 30, 75, 76]
    path = encode_video(tmp_path / name, codec, 8, "gray" if codec == "gif" else "yuv420p", times=times)
    frames, probed = read_all_frames(path, settings), ffprobe_frame_times(path)
    # Matroska stores times in milliseconds.
    assert [frame.time_s for frame in frames] == pytest.approx([time / 25 for time in times], abs=1e-3)
    assert [frame.time_s for frame in frames] == pytest.approx(probed, abs=2e-6)
    assert [frame.index for frame in frames] == list(range(8))


@pytest.mark.parametrize("name", ["SWEEP.MP4", "Sweep.Avi", "SWEEP.MPG"])
def test_suffixes_in_capitals(tmp_path: Path, settings: IngestSettings, name: str) -> None:
    assert (
        len(read_all_frames(encode_video(tmp_path / name, "mpeg2video" if "MPG" in name else "mpeg4"), settings)) == 20
    )


@pytest.mark.parametrize(
    ("codec", "pixels"), [("ffv1", "gray"), ("ffv1", "yuv444p"), ("ffv1", "yuv420p"), ("rawvideo", "yuv420p")]
)
@pytest.mark.parametrize(("width", "height"), [(127, 95), (65, 131), (101, 64)])
def test_odd_sizes_are_read_to_the_last_column(
    tmp_path: Path, settings: IngestSettings, codec: str, pixels: str, width: int, height: int
) -> None:
    noise = np.random.default_rng(3).integers(0, 256, (3, height, width), np.uint8)
    path = encode_video(tmp_path / "a.mkv", codec, list(noise), pixels)
    for frame, grey in zip(read_all_frames(path, settings), noise, strict=True):
        # Limited range has only 219 of 255 levels.
        assert np.abs(frame.grey.astype(int) - grey).max() <= 2


@pytest.mark.parametrize(
    ("name", "codec", "pixels"),
    [("a.mp4", "libx264", "yuv420p"), ("a.mpg", "mpeg2video", "yuv420p"), ("a.avi", "mjpeg", "yuvj420p")],
)
@pytest.mark.parametrize("width", [98, 130, 226])
def test_padded_rows(tmp_path: Path, settings: IngestSettings, name: str, codec: str, pixels: str, width: int) -> None:
    """Decoders pad rows to 32 or 64 bytes. The padding must not shift the rows below."""
    grey = np.tile(np.linspace(40, 200, width).astype(np.uint8), (96, 1))
    grey[:, -6:] = 240
    for frame in read_all_frames(encode_video(tmp_path / name, codec, [grey] * 3, pixels), settings):
        assert frame.grey.shape == grey.shape
        assert np.abs(frame.grey.astype(float) - grey).mean() < 4
        # Every row has its edge in the same column.
        assert (np.abs(frame.grey[:, -4:].astype(int) - 240) < 25).all()


@pytest.mark.parametrize("wrong", [-2, -1, 1, 2])
@pytest.mark.parametrize("codec", ["mpeg2video", "mjpeg"])
def test_a_container_with_a_wrong_frame_count_is_read_to_its_end(
    tmp_path: Path, settings: IngestSettings, codec: str, wrong: int
) -> None:
    path = encode_video(tmp_path / "a.avi", codec, 20, "yuvj420p" if codec == "mjpeg" else "yuv420p")
    whole = bytearray(path.read_bytes())
    # The frame counts in the main header and in the header of the stream.
    for chunk, offset in ((b"avih", 8 + 16), (b"strh", 8 + 32)):
        place = whole.index(chunk) + offset
        assert struct.unpack_from("<I", whole, place) == (20,)
        struct.pack_into("<I", whole, place, 20 + wrong)
    path.write_bytes(whole)
    with av.open(str(path)) as container:
        assert container.streams.video[0].frames == 20 + wrong
    frames = read_all_frames(path, settings)
    assert len(frames) == len(ffprobe_frame_times(path)) == 20
    assert [frame.time_s for frame in frames] == pytest.approx([index / 25 for index in range(20)])


def test_an_mpeg_stream_without_its_beginning_keeps_the_rest(tmp_path: Path, settings: IngestSettings) -> None:
    """Its container states no frame count, and the count that players compute from its times is too large."""
    path = encode_video(tmp_path / "a.mpg", "mpeg2video", 40, codec_options={"g": "10", "bf": "0"})
    whole = path.read_bytes()
    packs = [place for place in range(len(whole)) if whole.startswith(b"\0\0\1\xba", place)]
    path.write_bytes(whole[packs[len(packs) // 3] :])
    frames, probed = read_all_frames(path, settings), ffprobe_frame_times(path)
    assert 5 < len(frames) == len(probed) < 40


def test_frames_that_a_recorder_wrote_twice_have_their_own_times(tmp_path: Path, settings: IngestSettings) -> None:
    shown = [block_picture(index // 2) for index in range(12)]
    frames = read_all_frames(encode_video(tmp_path / "a.mkv", "ffv1", shown, "gray"), settings)
    assert [frame.time_s for frame in frames] == pytest.approx([index / 25 for index in range(12)], abs=1e-3)
    np.testing.assert_array_equal([frame.grey for frame in frames], shown)


@pytest.mark.parametrize(
    ("pixels", "worst"),
    [("gray", 0), ("gray10le", 1), ("gray16le", 1), ("yuv420p", 2), ("yuv422p10le", 2), ("yuv420p12le", 2)],
)
def test_every_bit_depth_gives_the_same_grey(tmp_path: Path, settings: IngestSettings, pixels: str, worst: int) -> None:
    ramp = np.tile(np.arange(256, dtype=np.uint8), (64, 1))
    (frame,) = read_all_frames(encode_video(tmp_path / "a.mkv", "ffv1", [ramp], pixels), settings)
    assert np.abs(frame.grey.astype(int) - ramp).max() <= worst
    assert frame.grey[0, 0] == 0
    assert frame.grey[0, 255] == 255


def test_limited_range_is_stretched_by_its_standard(tmp_path: Path, settings: IngestSettings) -> None:
    """ITU-R BT.601: brightness runs from 16 to 235. Values beyond are black or white."""
    stored = np.tile(np.arange(256, dtype=np.uint8), (64, 1))
    planes = np.concatenate([stored.ravel(), np.full(2 * 32 * 128, 128, np.uint8)])
    with av.open(str(tmp_path / "a.avi"), "w") as container:
        stream: Any = container.add_stream("rawvideo", rate=25)
        stream.width, stream.height, stream.pix_fmt = 256, 64, "yuv420p"
        picture = av.VideoFrame.from_ndarray(planes.reshape(96, 256), format="yuv420p")
        container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    (frame,) = read_all_frames(tmp_path / "a.avi", settings)
    expected = [min(255, max(0, round((level - 16) * 255 / 219))) for level in range(256)]
    np.testing.assert_array_equal(frame.grey, np.tile(expected, (64, 1)))


@pytest.mark.parametrize(
    ("aspect", "shown"), [(Fraction(16, 11), 186), (Fraction(8, 9), 114), (Fraction(1), 128), (Fraction(40), 128)]
)
@pytest.mark.parametrize(("name", "codec"), [("a.mp4", "libx264"), ("a.mov", "mpeg4")])
def test_pixels_are_made_square(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str, aspect: Fraction, shown: int
) -> None:
    path = encode_video(tmp_path / name, codec, 2, aspect=aspect)
    with open_clip(path, settings) as clip:
        assert (clip.width, clip.height) == (shown, HEIGHT)
        frame = next(clip)
    # The lower block lies in columns 20 to 100 of 128; its edges are where the brightness crosses the middle.
    bright = np.flatnonzero(frame.grey[70] > 85)
    assert bright[0] == pytest.approx(20 * shown / WIDTH, abs=1.5)
    assert bright[-1] + 1 == pytest.approx(100 * shown / WIDTH, abs=1.5)


def test_a_picture_that_is_too_wide_with_square_pixels_is_refused(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264", 1, aspect=Fraction(2))
    with pytest.raises(ClipError, match="more than 200 a side"):
        open_clip(path, settings.model_copy(update={"maximum_side_px": 200}))


def test_clips_are_read_up_to_the_frame_limit(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264", 20)
    for limit, read_frames, is_complete in ((12, 12, False), (20, 20, True)):
        with open_clip(path, settings.model_copy(update={"maximum_frames": limit})) as clip:
            assert len(list(clip)) == read_frames
            assert (clip.reason is None) == is_complete
            assert is_complete or "only the first 12 frames could be read; it holds more" in str(clip.reason)


def test_clips_of_too_many_pixels_are_refused_or_read_in_part(tmp_path: Path, settings: IngestSettings) -> None:
    pictures = [np.full((1000, 1000), 90, np.uint8)] * 120
    limited = settings.model_copy(update={"maximum_gigapixels": 0.1})
    with pytest.raises(ClipError, match=r"declares 120 frames of 1000 x 1000 pixels, more than 0\.1 gigapixels"):
        open_clip(encode_video(tmp_path / "a.mp4", "mpeg4", pictures), limited)
    with open_clip(encode_video(tmp_path / "a.mkv", "mpeg4", pictures), limited) as clip:  # does not say how many
        assert len(list(clip)) == 100
        assert "only the first 100 frames could be read; it holds more" in str(clip.reason)
    gif = tmp_path / "a.gif"
    gif.write_bytes(gif_of_tiny_frames(4096, 3000))
    assert gif.stat().st_size < 80_000
    with pytest.raises(ClipError, match="declares 3,000 frames of 4096 x 4096 pixels"):
        open_clip(gif, settings)


@pytest.mark.parametrize(("name", "codec"), [("a.mpg", "mpeg2video"), ("a.mp4", "libx264")])
def test_moving_edges_of_interlaced_pictures_show_no_comb(
    tmp_path: Path, settings: IngestSettings, name: str, codec: str
) -> None:
    # Two fields half a frame apart: the even lines are earlier.
    early, late = block_picture(2), block_picture(4)
    woven = early.copy()
    woven[1::2] = late[1::2]
    woven[70:76:3] = 250  # a fine line that does not move
    options = {"flags": "+ildct+ilme", "x264-params": "interlaced=1:tff=1", "field_order": "tt"}
    frames = read_all_frames(encode_video(tmp_path / name, codec, [woven] * 6, codec_options=options), settings)
    assert len(frames) == 6
    combs = [np.abs(np.diff(grey[16:40].astype(int), axis=0)).mean() for grey in (woven, frames[3].grey)]
    assert combs[0] > 30
    assert combs[1] < 0.1 * combs[0]
    assert abs(frames[3].grey[18:38].astype(float) - early[18:38]).mean() < 6.0


def test_values_between_their_neighbours_are_kept() -> None:
    ramp = np.tile(np.arange(0, 99, 3, dtype=np.uint8)[:, None], (1, 8))
    kept = ramp.copy()
    deinterlace(kept)
    np.testing.assert_array_equal(kept[:-1], ramp[:-1])
    comb = np.zeros((7, 4), np.uint8)
    comb[1::2] = 255
    deinterlace(comb)
    assert comb.max() == 0
