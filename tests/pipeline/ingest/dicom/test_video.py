"""Videos inside DICOM files: transfer syntaxes MPEG-2, MPEG-4 (H.264) and HEVC (PS3.5 section 8.2.5 and following)."""

from __future__ import annotations

import io
import tracemalloc
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from pydicom.encaps import encapsulate

from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.dicom.dicom_files import block_pictures, make_dataset, region_item, write_dicom

FRAMES = 12
# Transfer syntax, container and codec. Program streams, bare streams and complete files are all in use.
KINDS = {
    "MPEG-2": ("1.2.840.10008.1.2.4.100", "mpeg", "mpeg2video"),
    "MPEG-2 bare": ("1.2.840.10008.1.2.4.101", "mpeg2video", "mpeg2video"),
    "H.264": ("1.2.840.10008.1.2.4.102", "mp4", "libx264"),
    "H.264 bare": ("1.2.840.10008.1.2.4.103", "h264", "libx264"),
    "H.264 in a transport stream": ("1.2.840.10008.1.2.4.102", "mpegts", "libx264"),
    "HEVC bare": ("1.2.840.10008.1.2.4.107", "hevc", "libx265"),
}


def encode_stream(container: str, codec: str, frames: int = FRAMES) -> bytes:
    buffer = io.BytesIO()
    with av.open(buffer, "w", format=container) as output:
        stream: Any = output.add_stream(codec, rate=25)
        stream.height, stream.width, stream.pix_fmt = *block_pictures(1).shape[1:], "yuv420p"
        stream.bit_rate = 4_000_000
        stream.options = {"x265-params": "log-level=none"} if codec == "libx265" else {}
        for index, grey in enumerate(block_pictures(frames)):
            picture = av.VideoFrame.from_ndarray(np.dstack([grey] * 3), format="rgb24")
            picture.pts, picture.time_base = index, Fraction(1, 25)
            output.mux(stream.encode(picture))
        output.mux(stream.encode(None))
    return buffer.getvalue()


def write_video_dicom(path: Path, stream: bytes, syntax: str, *, fragments: int = 1, **elements: Any) -> Path:
    declared = {"NumberOfFrames": FRAMES, "FrameTime": 40, **elements}
    made = make_dataset(
        np.stack([block_pictures(1)] * 3, axis=-1), syntax, PhotometricInterpretation="YBR_PARTIAL_420", **declared
    )
    return write_dicom(path, made, encapsulate([stream], fragments_per_frame=fragments, has_bot=False), compressed=True)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_stream(tmp_path: Path, settings: IngestSettings, kind: str) -> None:
    syntax, container, codec = KINDS[kind]
    path = write_video_dicom(tmp_path / "a", encode_stream(container, codec), syntax)
    with open_clip(path, settings) as clip:
        assert clip.frame_rate == pytest.approx(25.0)
        frames = list(clip)
        assert clip.reason is None
    assert len(frames) == FRAMES
    assert [frame.time_s for frame in frames] == pytest.approx([0.04 * index for index in range(FRAMES)])
    for frame, expected in zip(frames, block_pictures(FRAMES), strict=True):
        assert abs(frame.grey.astype(float) - expected).mean() < 5.0


def test_a_stream_in_many_fragments_is_joined(tmp_path: Path, settings: IngestSettings) -> None:
    syntax, container, codec = KINDS["H.264"]
    stream = encode_stream(container, codec)
    with open_clip(write_video_dicom(tmp_path / "one", stream, syntax), settings) as clip:
        single = [frame.grey for frame in clip]
    with open_clip(write_video_dicom(tmp_path / "many", stream, syntax, fragments=7), settings) as clip:
        joined = [frame.grey for frame in clip]
    np.testing.assert_array_equal(single, joined)


def test_times_and_scale_come_from_the_header(tmp_path: Path, settings: IngestSettings) -> None:
    syntax, container, codec = KINDS["H.264 bare"]
    regions = [region_item((0, 0, 127, 95), 0.05)]
    path = write_video_dicom(
        tmp_path / "a", encode_stream(container, codec), syntax, FrameTime=100, SequenceOfUltrasoundRegions=regions
    )
    with open_clip(path, settings) as clip:
        assert clip.calibration.mm_per_px == pytest.approx(0.5)
        assert [frame.time_s for frame in clip] == pytest.approx([0.1 * index for index in range(FRAMES)])


@pytest.mark.parametrize(("declared", "breaks"), [(FRAMES + 2, False), (FRAMES + 9, True)])
def test_a_frame_count_too_high_by_two_is_accepted(
    tmp_path: Path, settings: IngestSettings, declared: int, breaks: bool
) -> None:
    syntax, container, codec = KINDS["MPEG-2"]
    path = write_video_dicom(tmp_path / "a", encode_stream(container, codec), syntax, NumberOfFrames=declared)
    with open_clip(path, settings) as clip:
        assert len(list(clip)) == FRAMES
        assert (clip.reason is not None) == breaks


def test_a_header_with_another_size_is_refused(tmp_path: Path, settings: IngestSettings) -> None:
    syntax, container, codec = KINDS["H.264"]
    path = write_video_dicom(tmp_path / "a", encode_stream(container, codec), syntax, Rows=192, Columns=256)
    with pytest.raises(ClipError, match="256 x 192 pixels, but the picture there has 128 x 96"):
        open_clip(path, settings)


def test_data_that_are_not_a_stream(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_video_dicom(tmp_path / "a", np.random.default_rng(1).bytes(5000), KINDS["H.264"][0])
    with pytest.raises(ClipError, match="the video in it is damaged at its beginning"):
        open_clip(path, settings)


def test_a_play_list_does_not_open_other_files(tmp_path: Path, settings: IngestSettings) -> None:
    text = b"ffconcat version 1.0\nfile other.mp4\n#EXTM3U\n"
    with pytest.raises(ClipError, match="the video in it is damaged"):
        open_clip(write_video_dicom(tmp_path / "a", text, KINDS["H.264"][0]), settings)


def test_the_stream_is_not_held_in_memory(tmp_path: Path, settings: IngestSettings) -> None:
    """A transport stream with 20 MB of stuffing, which is skipped."""
    stream = encode_stream("mpegts", "libx264")
    empty = b"\x47\x1f\xff\x10" + b"\xff" * 184
    path = write_video_dicom(tmp_path / "a", stream + empty * 110_000, KINDS["H.264"][0])
    tracemalloc.start()
    with open_clip(path, settings) as clip:
        assert len(list(clip)) == FRAMES
    assert tracemalloc.get_traced_memory()[1] < 5_000_000
    tracemalloc.stop()
