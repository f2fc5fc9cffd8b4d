"""Packing a scan loses nothing, damage is detected, and the side file's present content is used."""

from __future__ import annotations

import math
import zlib
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import hypothesis.extra.numpy as arrays
import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from pipeline.detect.shell_signs import ShellSigns
from pipeline.exams.exam import ExamClip
from pipeline.scan import serialization
from pipeline.scan.clip_scan import ClipScan, ScanPicture
from pipeline.scan.serialization import pack_scan, unpack_scan
from pipeline.store.store import StoredScan
from pipeline.track.frame_likeness import FaceGeometry
from pipeline.track.key_frames import KeyFrames
from pipeline.track.probe_course import ProbeCourse, ProbeTurn
from pipeline.track.thumbnails import ThumbnailStack
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.empty_scan import empty_scan

CLIP = ExamClip(Path("/exams/AF-0001/left-1.mp4"), "left-1.mp4", "left", 0.25, None)
SHA256 = "a" * 64


def table(rows: int, *shape: int) -> st.SearchStrategy[Any]:
    return arrays.arrays(np.float64, (rows, *shape), elements=st.floats(allow_nan=False))


def counts(rows: int) -> st.SearchStrategy[Any]:
    return arrays.arrays(np.int64, rows, elements=st.integers(0, 2**40))


points = st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))


@st.composite
def courses(draw: st.DrawFn) -> ProbeCourse:
    frames = draw(st.integers(1, 4))
    turns = draw(st.lists(st.builds(ProbeTurn, st.floats(0, 1e6), st.floats(0, 1)), max_size=3))
    return ProbeCourse(
        draw(counts(frames)),
        draw(table(frames)),
        draw(table(frames)),
        tuple(turns),
        draw(st.floats(0, 1)),
        draw(points),
        draw(st.booleans()),
    )


@st.composite
def key_frames(draw: st.DrawFn) -> KeyFrames:
    frames, side = draw(st.integers(1, 3)), draw(st.integers(1, 3))
    stack = ThumbnailStack(
        draw(counts(frames)),
        draw(arrays.arrays(np.int8, (frames, side, side))),
        draw(arrays.arrays(np.uint8, (frames, side, side))),
        draw(arrays.arrays(np.bool_, (side, side))),
    )
    box = draw(st.tuples(*[st.integers(0, 4096)] * 4))
    return KeyFrames(stack, FaceGeometry(box, draw(points), draw(st.floats(1, 4096)), draw(st.booleans())))


@st.composite
def scans(draw: st.DrawFn) -> ClipScan:
    rows, used = draw(st.integers(0, 4)), draw(st.integers(0, 5))
    tracks = []
    for identity in range(1, draw(st.integers(0, 3)) + 1):
        seen = draw(st.integers(1, 3))
        tracks.append(
            Track(
                identity,
                draw(counts(seen)),
                draw(table(seen, 5)),
                draw(table(seen)),
                draw(table(seen, 3)),
                draw(table(seen)),
            )
        )
    return ClipScan(
        file=CLIP.file,
        sha256=SHA256,
        window=CLIP.window,
        width=640,
        height=480,
        frame_rate=draw(st.none() | st.floats(1, 1000)),
        frames=draw(st.integers(1, 10**6)),
        mm_per_px=0.25,
        scale_source="sidecar",
        status="done",
        reason=draw(st.none() | st.text()),
        used_frames=draw(counts(used)),
        frame=draw(counts(rows)),
        ellipse=draw(table(rows, 5)),
        stage_probability=draw(table(rows, 3)),
        score=draw(table(rows)),
        outline_uncertainty=draw(table(rows, 2)),
        track=draw(counts(rows)),
        tracks=ClipTracks(
            CLIP.file,
            CLIP.window,
            0.25,
            0,
            tuple(tracks),
            courses=tuple(draw(st.lists(courses(), max_size=3))),
            key_frames=draw(st.none() | key_frames()),
        ),
        pictures={track.identity: ScanPicture(4, (1 / 3, 2.0, 5.0, 4.0, 0.0), b"jpeg") for track in tracks},
        imaging_depth_px=draw(st.none() | st.floats(1, 4096)),
    )


def assert_same(actual: Any, expected: Any, name: str = "scan") -> None:
    """Equal to the bit, in all fields."""
    assert type(actual) is type(expected), name
    if isinstance(expected, np.ndarray):
        assert actual.dtype == expected.dtype, name
        np.testing.assert_array_equal(actual, expected, err_msg=name)
        assert actual.tobytes() == expected.tobytes(), name
    elif isinstance(expected, tuple):
        assert len(actual) == len(expected), name
        for number, (one, other) in enumerate(zip(actual, expected, strict=True)):
            assert_same(one, other, f"{name}[{number}]")
    elif hasattr(expected, "__dataclass_fields__"):
        for field in expected.__dataclass_fields__:
            assert_same(getattr(actual, field), getattr(expected, field), f"{name}.{field}")
    else:
        assert actual == expected, name


@given(scans())
@settings(max_examples=50, deadline=None)
def test_a_scan_is_restored_to_the_bit(scan: ClipScan) -> None:
    scan = replace(scan, tracks=replace(scan.tracks, frames=scan.frames, imaging_depth_px=scan.imaging_depth_px))
    back = unpack_scan(pack_scan(scan), CLIP, SHA256)
    assert_same(back, scan)
    assert back is not None
    assert pack_scan(back) == pack_scan(scan)


@pytest.fixture
def scan() -> ClipScan:
    return empty_scan(ClipTracks("left-1.mp4", "left", 0.25, 90, ()), sha256=SHA256, imaging_depth_px=400.0)


@pytest.mark.parametrize(
    ("mm_per_px", "depth_mm", "expected"),
    [(0.3, None, 0.3), (None, 90.0, 0.225), (None, None, None)],
)
def test_a_corrected_side_file_takes_effect_without_reading_the_clip_again(
    scan: ClipScan, mm_per_px: float | None, depth_mm: float | None, expected: float | None
) -> None:
    corrected = ExamClip(Path("/exams/x/first.mp4"), "first.mp4", "right", mm_per_px, depth_mm)
    back = unpack_scan(pack_scan(scan), corrected, SHA256)
    assert back is not None
    assert (back.file, back.window, back.mm_per_px) == ("first.mp4", "right", expected)
    assert back.tracks == ClipTracks("first.mp4", "right", expected, 90, (), imaging_depth_px=400.0)
    assert back.scale_source == ("unknown" if expected is None else "sidecar")


@pytest.mark.parametrize("other", [b"clutchlight/scan/9", b"clutchlight/scam/"])
def test_a_scan_packed_in_another_format_counts_as_absent(scan: ClipScan, other: bytes) -> None:
    data = zlib.decompress(pack_scan(scan).archive)
    length = int.from_bytes(data[:8], "little")
    head = data[8 : 8 + length].replace(b"clutchlight/scan/", other)
    packed = len(head).to_bytes(8, "little") + head + data[8 + length :]
    assert unpack_scan(StoredScan(zlib.compress(packed), ()), CLIP, SHA256) is None


def test_a_scan_packed_before_safetensors_counts_as_absent() -> None:
    packed = zlib.compress(b'{"format": "clutchlight/scan/17", "arrays": []}\n' + bytes(80))
    assert unpack_scan(StoredScan(packed, ()), CLIP, SHA256) is None


def test_a_damaged_scan_counts_as_absent(scan: ClipScan) -> None:
    """Every byte changed in turn, and every cut: none is ever taken for another scan."""
    stored = pack_scan(scan)
    undetected = []
    for index in range(len(stored.archive)):
        changed = bytearray(stored.archive)
        changed[index] ^= 1 << index % 8
        assert unpack_scan(StoredScan(stored.archive[:index], ()), CLIP, SHA256) is None, index
        restored = unpack_scan(StoredScan(bytes(changed), ()), CLIP, SHA256)
        if restored is not None:
            assert pack_scan(restored) == stored, index
            undetected.append(index)
    # Only bits that fill up the last byte before the checksum mean nothing.
    assert set(undetected) <= {len(stored.archive) - 5}
    assert unpack_scan(StoredScan(stored.archive + b"x", ()), CLIP, SHA256) is None
    assert unpack_scan(stored, CLIP, SHA256) is not None


def test_a_damaged_scan_is_reported(scan: ClipScan, caplog: pytest.LogCaptureFixture) -> None:
    assert unpack_scan(StoredScan(pack_scan(scan).archive[:-1], ()), CLIP, SHA256) is None
    assert "left-1.mp4: its stored scan is damaged" in caplog.text


def test_reading_is_bounded(scan: ClipScan, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = pack_scan(scan).archive
    size = len(zlib.decompress(archive))
    monkeypatch.setattr(serialization, "MAXIMUM_BYTES", size - 1)
    assert unpack_scan(StoredScan(archive, ()), CLIP, SHA256) is None
    monkeypatch.setattr(serialization, "MAXIMUM_BYTES", size + 1)
    assert unpack_scan(StoredScan(archive, ()), CLIP, SHA256) is not None


def test_signs_are_restored_with_the_missing_ones(scan: ClipScan) -> None:
    measured = ShellSigns(40.5, math.nan, -3.25, 1 / 3, 0.0, 9.0, 0.25, math.nan, 7.5, -1.0, 5)
    scan = replace(scan, tracks=replace(scan.tracks, signs={2: measured}))
    back = unpack_scan(pack_scan(scan), CLIP, SHA256)
    assert back is not None
    assert list(back.tracks.signs) == [2]
    np.testing.assert_array_equal(astuple(back.tracks.signs[2]), astuple(measured))
    assert isinstance(back.tracks.signs[2].frames, int)
