"""A finished scan as bytes for the store, and back again, to the bit.

What the recording's bytes decide is kept. What the exam folder says of it (name, window, scale) is put on
when it is taken out, for a side file may be mended between two nights.

Layout, before compression by zlib: one line of JSON, then the arrays it lists, one after the other,
C order, little-endian.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator
from dataclasses import asdict, astuple, replace
from typing import Any

import numpy as np

from pipeline.detect.shell_signs import ShellSigns
from pipeline.exams.exam_search import ExamClip
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.ingest.sector.ruler import Ruler
from pipeline.scan.clip_scan import ClipScan, ScanPicture
from pipeline.scan.scale import RecordedScale, clip_scale
from pipeline.store.store import StoredPicture, StoredScan
from pipeline.track.probe_path import ProbePath
from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["pack_scan", "unpack_scan"]

FORMAT = "clutchlight/scan/17"
"""Raised when the form changes, and also when the same recording gives another scan: a kept scan of another
format counts as not there, and its clip is read again."""

SCAN_ARRAYS = ("used_frames", "frame", "ellipse", "stage_probability", "score", "outline_uncertainty", "track")
TRACK_ARRAYS = ("frames", "ellipses", "depths_px", "stage_probabilities", "scores")
TURN_ARRAYS = ("before", "after")
PATH_ARRAYS = ("frames", "distance", "in_plane_shift_px")
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


def pack_scan(scan: ClipScan) -> StoredScan:
    """The scan without its names and scale. The same scan gives the same bytes."""
    arrays = {name: getattr(scan, name) for name in SCAN_ARRAYS}
    for track in scan.tracks.tracks:
        arrays |= {f"{track.identity}.{name}": getattr(track, name) for name in TRACK_ARRAYS}
    turns = scan.tracks.turns
    for number, turn in enumerate(turns or ()):
        arrays |= {f"turn {number}.{name}": getattr(turn, name) for name in TURN_ARRAYS}
    path = scan.tracks.path
    if path is not None:
        arrays |= {f"path.{name}": getattr(path, name) for name in PATH_ARRAYS}
    head = {
        "format": FORMAT,
        "facts": {name: getattr(scan, name) for name in SCALAR_FIELDS},
        "quality": [scan.quality.skipped, scan.quality.contact, scan.quality.is_static],
        "recorded_scale": asdict(scan.recorded_scale),
        "tracks": [track.identity for track in scan.tracks.tracks],
        "signs": [[track, *_sign_row(signs)] for track, signs in sorted(scan.tracks.signs.items())],
        "turns": None if turns is None else [[turn.frame, turn.log_odds] for turn in turns],
        "arrays": [[name, array.dtype.newbyteorder("<").str, array.shape] for name, array in arrays.items()],
    }
    packer = zlib.compressobj()
    parts = [packer.compress(json.dumps(head).encode() + b"\n")]
    # One after the other, so that a long clip is not held once more as a whole.
    parts += [packer.compress(array.astype(array.dtype.newbyteorder("<")).tobytes()) for array in arrays.values()]
    pictures = tuple(
        StoredPicture(track, picture.frame, picture.ellipse, picture.jpeg)
        for track, picture in sorted(scan.pictures.items())
    )
    return StoredScan(b"".join([*parts, packer.flush()]), pictures)


def unpack_scan(stored: StoredScan, clip: ExamClip, sha256: str) -> ClipScan | None:
    """The scan as it was packed, under the name, window and scale that the exam folder gives it now.

    None where it was packed in another format.
    """
    line, _, body = zlib.decompress(stored.archive).partition(b"\n")
    head: dict[str, Any] = json.loads(line)
    if head.get("format") != FORMAT:
        return None
    arrays = _arrays(head["arrays"], body)
    facts = head["facts"]
    skipped, contact, is_static = head["quality"]
    recorded = RecordedScale(**head["recorded_scale"])
    if recorded.ruler is not None:
        recorded = replace(recorded, ruler=Ruler(**head["recorded_scale"]["ruler"]))
    scale = clip_scale(clip, recorded, facts["imaging_depth_px"])
    tracks = tuple(
        Track(identity, **{name: arrays[f"{identity}.{name}"] for name in TRACK_ARRAYS}) for identity in head["tracks"]
    )
    return ClipScan(
        file=clip.file,
        sha256=sha256,
        window=clip.window,
        mm_per_px=scale.mm_per_px,
        scale_source=scale.source,
        recorded_scale=recorded,
        scale_note=scale.note,
        quality=ClipQuality(tuple((cause, number) for cause, number in skipped), (contact[0], contact[1]), is_static),
        tracks=ClipTracks(
            clip.file,
            clip.window,
            scale.mm_per_px,
            facts["frames"],
            tracks,
            facts["sector_centre_x_px"],
            facts["imaging_depth_px"],
            _signs(head["signs"]),
            None if head["turns"] is None else tuple(_turns(head["turns"], arrays)),
            ProbePath(**{name: arrays[f"path.{name}"] for name in PATH_ARRAYS}) if "path.distance" in arrays else None,
        ),
        pictures={each.track: ScanPicture(each.frame, each.ellipse, each.jpeg) for each in stored.pictures},
        **{name: arrays[name] for name in SCAN_ARRAYS},
        **facts,
    )


def _sign_row(signs: ShellSigns) -> list[float | int | None]:
    """Values in the order of the fields; what could not be told is null, since JSON has no word for it."""
    return [None if math.isnan(value) else value for value in astuple(signs)]


def _signs(rows: list[list[Any]]) -> dict[int, ShellSigns]:
    signs = {}
    for track, *row in rows:
        values: list[Any] = [math.nan if value is None else value for value in row]
        signs[track] = ShellSigns(*values)
    return signs


def _turns(listed: list[tuple[float, float]], arrays: dict[str, Any]) -> Iterator[ProbeTurn]:
    for number, (frame, log_odds) in enumerate(listed):
        before, after = (arrays[f"turn {number}.{name}"] for name in TURN_ARRAYS)
        yield ProbeTurn(frame, before, after, log_odds)


def _arrays(listed: list[tuple[str, str, list[int]]], body: bytes) -> dict[str, Any]:
    arrays: dict[str, Any] = {}
    offset = 0
    for name, dtype, shape in listed:
        count = int(np.prod(shape, dtype=np.int64))
        array = np.frombuffer(body, np.dtype(dtype), count, offset).reshape(shape)
        arrays[name] = array.astype(array.dtype.newbyteorder("="))
        offset += count * array.dtype.itemsize
    return arrays
