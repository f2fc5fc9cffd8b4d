"""A scan without detections."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import ClipTracks

__all__ = ["empty_scan"]


def empty_scan(tracks: ClipTracks, **known: Any) -> ClipScan:
    """A scan of 640 x 480 px for tracks that need no detections, with every frame used; ``known`` replaces fields."""
    no_rows = np.zeros(0, np.int64)
    scan = ClipScan(
        file=tracks.file,
        sha256=tracks.file.encode().hex(),
        window=tracks.window,
        width=640,
        height=480,
        frame_rate=25.0,
        frames=tracks.frames,
        mm_per_px=tracks.mm_per_px,
        scale_source="sidecar",
        status="done",
        reason=None,
        used_frames=np.arange(tracks.frames),
        frame=no_rows,
        ellipse=np.zeros((0, 5)),
        stage_probability=np.zeros((0, 3)),
        score=np.zeros(0),
        outline_uncertainty=np.zeros((0, 2)),
        track=no_rows,
        tracks=tracks,
        pictures={},
    )
    return replace(scan, **known)
