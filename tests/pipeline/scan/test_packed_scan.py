from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.exams.exam import ExamClip
from pipeline.scan.packed_scan import PackedScan
from pipeline.scan.serialization import pack_scan
from pipeline.store.records import StoredScan
from pipeline.track.tracks import ClipTracks
from tests.pipeline.empty_scan import empty_scan

CLIP = ExamClip(Path("/exams/AF-0001/left-1.mp4"), "left-1.mp4", "left", 0.25, None)
SHA256 = "a" * 64
REASON = "only the first 90 of its frames could be read"


def packed() -> PackedScan:
    scan = empty_scan(ClipTracks("left-1.mp4", "left", 0.25, 90, ()), sha256=SHA256, imaging_depth_px=400.0)
    return PackedScan.of(replace(scan, reason=REASON), CLIP)


def test_a_scan_is_the_same_from_the_worker_and_from_the_store() -> None:
    from_worker = pickle.loads(pickle.dumps(packed()))
    assert (from_worker.status, from_worker.reason) == ("done", REASON)
    assert from_worker.stored is not None
    assert PackedScan.of_stored(from_worker.stored, CLIP, SHA256) == from_worker
    assert pack_scan(from_worker.unpack()) == from_worker.stored


def test_a_refused_clip_has_its_reason_and_nothing_to_store() -> None:
    refused = PackedScan.of_refused(CLIP, SHA256, "left-1.mp4: it has no frames")
    assert (refused.status, refused.reason, refused.stored) == ("refused", "it has no frames", None)
    scan = refused.unpack()
    assert (scan.status, scan.reason, scan.file, scan.sha256) == ("refused", "it has no frames", "left-1.mp4", SHA256)
    assert PackedScan.of(scan, CLIP) == refused


def test_a_damaged_scan_counts_as_absent_and_is_never_unpacked() -> None:
    whole = packed()
    assert whole.stored is not None
    damaged = StoredScan(whole.stored.archive[:-1], ())
    assert PackedScan.of_stored(damaged, CLIP, SHA256) is None
    with pytest.raises(ValueError, match="cannot be unpacked"):
        replace(whole, stored=damaged).unpack()
