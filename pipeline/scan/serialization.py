"""A finished scan as bytes for the store, and back again, to the bit.

Only what the recording's bytes determine is kept. What the exam folder says about it (name, window, scale) is added
when the scan is read back, because a side file may be corrected between two nights.

Format: arrays in the safetensors format, everything else as JSON in its metadata, all of it compressed by zlib, whose
checksum detects damage. The same scan gives the same bytes.
"""

from __future__ import annotations

import json
import logging
import math
import zlib
from collections.abc import Mapping
from dataclasses import asdict, astuple, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load, save

from pipeline.detect.shell_signs import ShellSigns
from pipeline.exams.exam import ExamClip
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.ingest.sector.ruler import Ruler
from pipeline.scan.clip_scan import ClipScan, ScanPicture
from pipeline.scan.scale import RecordedScale, clip_scale
from pipeline.store.records import StoredPicture, StoredScan
from pipeline.track.frame_likeness import FaceGeometry
from pipeline.track.key_frames import KeyFrames
from pipeline.track.probe_course import ProbeCourse, ProbeTurn
from pipeline.track.thumbnails import ThumbnailStack
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["open_archive", "pack_scan", "unpack_scan"]

_log = logging.getLogger(__name__)

FORMAT = "clutchlight/scan/20"
"""Increased when the format changes, and also when the same recording gives another scan: a stored scan of another
format counts as absent, and its clip is read again."""

MAXIMUM_BYTES = 2**31
"""More than any clip needs (a night-long clip of 500,000 frames with 20 detections each takes 1 GiB); a damaged archive
cannot fill the memory."""

SCAN_ARRAYS = ("used_frames", "frame", "ellipse", "stage_probability", "score", "outline_uncertainty", "track")
TRACK_ARRAYS = ("frames", "ellipses", "depths_px", "stage_probabilities", "scores")
COURSE_ARRAYS = ("frames", "positions", "in_plane_degrees")
THUMBNAIL_ARRAYS = ("frames", "pictures", "outlines", "inside")
SCALAR_FIELDS = (
    "width",
    "height",
    "frame_rate",
    "frames",
    "imaging_depth_px",
    "sector_centre_x_px",
    "status",
    "reason",
)
HEADER = "clutchlight"  # the key of the JSON in the metadata; with a second one the order of keys would vary

Array = NDArray[Any]


def pack_scan(scan: ClipScan) -> StoredScan:
    """The scan without its names and scale. The same scan gives the same bytes."""
    tracks, courses = scan.tracks.tracks, scan.tracks.courses
    arrays: dict[str, Array] = {name: getattr(scan, name) for name in SCAN_ARRAYS}
    for track in tracks:
        arrays |= _named_arrays(f"track {track.identity}", track, TRACK_ARRAYS)
    for number, course in enumerate(courses):
        arrays |= _named_arrays(f"course {number}", course, COURSE_ARRAYS)
    key_frames = scan.tracks.key_frames
    if key_frames is not None:
        arrays |= _named_arrays("key frames", key_frames.thumbnails, THUMBNAIL_ARRAYS)
    header = {
        "format": FORMAT,
        "scalars": {name: getattr(scan, name) for name in SCALAR_FIELDS},
        "quality": asdict(scan.quality),
        "recorded_scale": asdict(scan.recorded_scale),
        "tracks": [track.identity for track in tracks],
        "signs": [[track, *_signs_to_row(signs)] for track, signs in sorted(scan.tracks.signs.items())],
        "courses": [
            {
                "turns": [[turn.frame, turn.probability] for turn in course.turns],
                "probability": course.probability,
                "face_xy": course.face_xy,
                "upside_down": course.upside_down,
            }
            for course in courses
        ],
        "geometry": None if key_frames is None else asdict(key_frames.geometry),
    }
    contiguous = {name: np.ascontiguousarray(array) for name, array in arrays.items()}
    archive = zlib.compress(save(contiguous, {HEADER: json.dumps(header)}))
    pictures = tuple(
        StoredPicture(track, picture.frame, picture.ellipse, picture.jpeg)
        for track, picture in sorted(scan.pictures.items())
    )
    return StoredScan(archive, pictures)


def unpack_scan(stored: StoredScan, clip: ExamClip, sha256: str) -> ClipScan | None:
    """The scan as it was packed, with the name, window and scale that the exam folder gives it now.

    None where it was packed in another format, or is damaged.
    """
    opened = open_archive(stored, clip)
    if opened is None:
        return None
    header, data = opened
    try:
        arrays: dict[str, Any] = {name: array.copy() for name, array in load(data).items()}
    except (SafetensorError, ValueError) as error:
        _warn_of_damage(clip, error)
        return None
    scalars, recorded = header["scalars"], _recorded_scale(header["recorded_scale"])
    scale = clip_scale(clip, recorded, scalars["imaging_depth_px"])
    return ClipScan(
        file=clip.file,
        sha256=sha256,
        window=clip.window,
        mm_per_px=scale.mm_per_px,
        scale_source=scale.source,
        recorded_scale=recorded,
        scale_note=scale.note,
        quality=_quality(header["quality"]),
        tracks=ClipTracks(
            file=clip.file,
            window=clip.window,
            mm_per_px=scale.mm_per_px,
            frames=scalars["frames"],
            tracks=tuple(
                Track(identity, **_arrays_of(arrays, f"track {identity}", TRACK_ARRAYS))
                for identity in header["tracks"]
            ),
            sector_centre_x_px=scalars["sector_centre_x_px"],
            imaging_depth_px=scalars["imaging_depth_px"],
            signs={track: _signs_from_row(row) for track, *row in header["signs"]},
            courses=tuple(
                _course(kept, _arrays_of(arrays, f"course {number}", COURSE_ARRAYS))
                for number, kept in enumerate(header["courses"])
            ),
            key_frames=_key_frames(header["geometry"], arrays),
        ),
        pictures={each.track: ScanPicture(each.frame, each.ellipse, each.jpeg) for each in stored.pictures},
        **{name: arrays[name] for name in SCAN_ARRAYS},
        **scalars,
    )


def open_archive(stored: StoredScan, clip: ExamClip) -> tuple[dict[str, Any], bytes] | None:
    """The JSON of a stored scan, and all of it decompressed. None as in `unpack_scan`."""
    try:
        data = _decompress(stored.archive)
        header = _read_header(data)
    except (zlib.error, ValueError) as error:
        _warn_of_damage(clip, error)
        return None
    return None if header is None or header.get("format") != FORMAT else (header, data)


def _warn_of_damage(clip: ExamClip, error: Exception) -> None:
    _log.warning("%s: its stored scan is damaged (%s); the clip counts as not yet read", clip.file, error)


def _decompress(archive: bytes) -> bytes:
    """Raises zlib.error where the archive is damaged, cut off, or larger than any scan."""
    decompressor = zlib.decompressobj()
    data = decompressor.decompress(archive, MAXIMUM_BYTES)
    if not decompressor.eof or decompressor.unused_data:
        raise zlib.error("it is cut off, too long, or larger than any scan")
    return data


def _read_header(data: bytes) -> dict[str, Any] | None:
    """The JSON in the metadata; None where it is not there, as in older formats."""
    # safetensors gives metadata only for files. Layout: length of the JSON head, 8 bytes little-endian; the head.
    length = int.from_bytes(data[:8], "little")
    if length > len(data) - 8:
        return None
    text = json.loads(data[8 : 8 + length]).get("__metadata__", {}).get(HEADER)
    return None if text is None else json.loads(text)


def _named_arrays(prefix: str, source: object, names: tuple[str, ...]) -> dict[str, Array]:
    return {f"{prefix}.{name}": getattr(source, name) for name in names}


def _arrays_of(arrays: Mapping[str, Any], prefix: str, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: arrays[f"{prefix}.{name}"] for name in names}


def _recorded_scale(kept: dict[str, Any]) -> RecordedScale:
    recorded = RecordedScale(**kept)
    return recorded if recorded.ruler is None else replace(recorded, ruler=Ruler(**kept["ruler"]))


def _quality(kept: dict[str, Any]) -> ClipQuality:
    skipped = tuple((cause, number) for cause, number in kept["skipped"])
    left, right = kept["contact"]
    return ClipQuality(skipped, (left, right), kept["is_static"])


def _signs_to_row(signs: ShellSigns) -> list[float | int | None]:
    """Values in the order of the fields; NaN becomes null, which JSON has instead."""
    return [None if math.isnan(value) else value for value in astuple(signs)]


def _signs_from_row(row: list[float | None]) -> ShellSigns:
    values: list[Any] = [math.nan if value is None else value for value in row]
    return ShellSigns(*values)


def _key_frames(geometry: dict[str, Any] | None, arrays: Mapping[str, Any]) -> KeyFrames | None:
    if geometry is None:
        return None
    x0, y0, x1, y1 = geometry["box"]
    x, y = geometry["middle_xy"]
    return KeyFrames(
        ThumbnailStack(**_arrays_of(arrays, "key frames", THUMBNAIL_ARRAYS)),
        FaceGeometry((x0, y0, x1, y1), (x, y), geometry["depth_px"], geometry["upside_down"]),
    )


def _course(kept: dict[str, Any], arrays: dict[str, Any]) -> ProbeCourse:
    x, y = kept["face_xy"]
    return ProbeCourse(
        **arrays,
        turns=tuple(ProbeTurn(frame, probability) for frame, probability in kept["turns"]),
        probability=kept["probability"],
        face_xy=(x, y),
        upside_down=kept["upside_down"],
    )
