"""One clip read once: frames to sector, detections, tracks and the pictures worth keeping.

The clip is a stream. Frames are checked, given to the detector in batches and released. What remains of them is a row
of numbers for each detection and one picture for each track.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections, FrameDetector
from pipeline.exams.exam import ExamClip
from pipeline.ingest.clip import Recording, open_clip
from pipeline.ingest.frame import ClipError, Frame
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.ingest.sector.ruler import find_ruler
from pipeline.scan.best_frames import BestFrames, ScanPicture
from pipeline.scan.detected_frames import detected_frames
from pipeline.scan.detection_table import DetectionTableBuilder
from pipeline.scan.frame_consumer import FrameConsumer, TrackedFrame
from pipeline.scan.probe_motion import ProbeMotionEstimator
from pipeline.scan.scale import RecordedScale, ScaleSource, clip_scale
from pipeline.scan.track_signs import TrackSigns
from pipeline.settings import Settings
from pipeline.track.tracker import ClipTracker, TrackUpdate
from pipeline.track.tracks import ClipTracks

__all__ = ["ClipScan", "ScanPicture", "refused_scan", "scan_clip", "scan_recording"]


@dataclass(frozen=True)
class ClipScan:
    """Everything that is kept of one clip.

    D is the number of detections, F that of the used frames. Frames are indices from 0 in decoding order. Ellipses are
    rows [cx, cy, semi-major, semi-minor, degrees], px of the source frame.

    Attributes
    ----------
    file
        The clip's name in its exam folder.
    sha256
        Of the recording's bytes.
    window
        "left", "right", or None if unknown.
    width, height
        Of a frame, px.
    frame_rate
        Frames per second, None if unknown.
    frames
        How many frames were decoded.
    mm_per_px
        The scale, None if unknown.
    scale_source
        Where it is from: "dicom", "sidecar", "ruler" or "unknown".
    scale_note
        What a technician should know about the scale, else None.
    status
        "done" or "refused". Of a refused clip all tables are empty.
    reason
        Why it was refused. For a clip that is done: why only its first frames could be read, else None.
    used_frames
        (F,) int64, indices of the frames that were used.
    frame
        (D,) int64, the frame of each detection.
    ellipse
        (D, 5) float64, its outline.
    stage_probability
        (D, 3) float64, follicle, thin-shelled, calcified.
    score
        (D,) float64 in [0, 1].
    outline_uncertainty
        (D, 2) float64, as in `pipeline.detect.detector.Detections`.
    track
        (D,) int64, 0 where a detection belongs to no track.
    tracks
        The tracks of the clip, for `pipeline.estimate_exam`.
    pictures
        The best picture of each track, by track id.
    imaging_depth_px, sector_centre_x_px
        From the probe's face to the lower end of the sector, and x of the sector's centre line.
        None for a refused clip.
    recorded_scale
        What the file itself says about its scale.
    quality
        Which frames were left out, and why.
    """

    file: str
    sha256: str
    window: str | None
    width: int
    height: int
    frame_rate: float | None
    frames: int
    mm_per_px: float | None
    scale_source: ScaleSource
    status: Literal["done", "refused"]
    reason: str | None
    used_frames: NDArray[np.int64]
    frame: NDArray[np.int64]
    ellipse: NDArray[np.float64]
    stage_probability: NDArray[np.float64]
    score: NDArray[np.float64]
    outline_uncertainty: NDArray[np.float64]
    track: NDArray[np.int64]
    tracks: ClipTracks
    pictures: dict[int, ScanPicture]
    imaging_depth_px: float | None = None
    sector_centre_x_px: float | None = None
    recorded_scale: RecordedScale = field(default_factory=RecordedScale)
    scale_note: str | None = None
    quality: ClipQuality = field(default_factory=ClipQuality)


def scan_clip(
    clip: ExamClip,
    sha256: str,
    detector: FrameDetector,
    settings: Settings,
    progress: Callable[[int], None] = lambda frames: None,
) -> ClipScan:
    """Read one recording from its first frame to its last.

    Parameters
    ----------
    clip
        The recording, as `pipeline.find_exams` gives it.
    sha256
        The SHA-256 of the recording's bytes, kept in the result; "" if it is not needed.
    detector
        What finds objects in frames, for example that of `pipeline.load_detector`.
    settings
        Those of `pipeline.load_settings`.
    progress
        Called with the number of frames that were read since the last call.

    Returns
    -------
    ClipScan
        Detections, tracks and pictures. A recording that cannot be used has the status "refused" and a reason. One that
        breaks off midway is "done" up to that point, and the reason says so.

    Raises
    ------
    EngineError
        If the detector's engine fails. An unreadable recording is a result, not an error.

    Examples
    --------
    The scan of a file that is not a video:

    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from pipeline import find_exams, load_detector, load_settings
    >>> settings = load_settings()
    >>> with TemporaryDirectory() as root:
    ...     path = Path(root) / "AF-0412" / "2026-05-14" / "left-1.mp4"
    ...     path.parent.mkdir(parents=True)
    ...     _ = path.write_text("no video")
    ...     search = find_exams(Path(root))
    ...     scan = scan_clip(search.exams[0].clips[0], "", load_detector(settings), settings)
    >>> scan.status, scan.frames
    ('refused', 0)
    """
    try:
        with open_clip(clip.path, settings.ingest) as recording:
            return scan_recording(clip, sha256, recording, detector, settings, progress)
    except ClipError as error:
        return refused_scan(clip, sha256, str(error))


def refused_scan(clip: ExamClip, sha256: str, reason: str) -> ClipScan:
    """The scan of a recording that cannot be used. sha256 : "" where not even its bytes could be read"""
    scale = clip_scale(clip, RecordedScale(), None)
    return ClipScan(
        file=clip.file,
        sha256=sha256,
        window=clip.window,
        width=0,
        height=0,
        frame_rate=None,
        frames=0,
        mm_per_px=scale.mm_per_px,
        scale_source=scale.source,
        status="refused",
        reason=_without_file_name(reason, clip),
        tracks=ClipTracks(clip.file, clip.window, scale.mm_per_px, 0, ()),
        pictures={},
        **vars(DetectionTableBuilder().finish({})),
    )


def scan_recording(
    clip: ExamClip,
    sha256: str,
    recording: Recording,
    detector: FrameDetector,
    settings: Settings,
    progress: Callable[[int], None] = lambda frames: None,
) -> ClipScan:
    """The scan of frames that the caller opened; otherwise as `scan_clip`. Raises ClipError if they cannot be used."""
    usable = UsableFrames(recording, recording.calibration, settings.ingest, progress)
    sector, opening = usable.sector, usable.opening_frame
    if sector is None or opening is None:
        raise ClipError(usable.rejection_reason(0))

    tracker = ClipTracker(settings.track)
    table = DetectionTableBuilder()
    pictures = BestFrames(sector.mask)
    signs = TrackSigns(sector)
    motion = ProbeMotionEstimator(sector, recording.frame_rate)
    consumers_of_new_pictures: tuple[FrameConsumer[Any], ...] = (pictures, signs, motion)
    detected = detected_frames(usable, sector, detector, settings.detect, recording.frame_rate)
    for tracked in _tracked_frames(detected, tracker):
        table.add_frame(tracked)
        if not tracked.is_repeat:
            for consumer in consumers_of_new_pictures:
                consumer.add_frame(tracked)
    finished = tracker.finish()
    used_frames = len(table.used_frames)
    if used_frames < settings.ingest.minimum_usable_share * usable.frames_read:
        raise ClipError(usable.rejection_reason(used_frames))

    imaging_depth_px, sector_centre_x_px = sector.depth_range_px, (sector.box[0] + sector.box[2] - 1) / 2
    calibration, ruler = usable.calibration, find_ruler(opening.grey, sector)
    probe_motion = motion.finish(finished.final_ids)
    recorded = RecordedScale(calibration.mm_per_px, calibration.fault, ruler, settings.ingest.ruler_tick_mm or None)
    scale = clip_scale(clip, recorded, imaging_depth_px)
    return ClipScan(
        file=clip.file,
        sha256=sha256,
        window=clip.window,
        width=recording.width,
        height=recording.height,
        frame_rate=recording.frame_rate,
        frames=usable.frames_read,
        mm_per_px=scale.mm_per_px,
        scale_source=scale.source,
        status="done",
        reason=None if recording.reason is None else _without_file_name(recording.reason, clip),
        tracks=ClipTracks(
            file=clip.file,
            window=clip.window,
            mm_per_px=scale.mm_per_px,
            frames=usable.frames_read,
            tracks=finished.tracks,
            sector_centre_x_px=sector_centre_x_px,
            imaging_depth_px=imaging_depth_px,
            signs=signs.finish(finished.final_ids),
            courses=probe_motion.courses,
            key_frames=probe_motion.key_frames,
        ),
        pictures=pictures.finish(finished.final_ids),
        imaging_depth_px=imaging_depth_px,
        sector_centre_x_px=sector_centre_x_px,
        recorded_scale=recorded,
        scale_note=scale.note,
        quality=usable.quality,
        **vars(table.finish(finished.final_ids)),
    )


def _tracked_frames(detected: Iterable[tuple[Frame, Detections, bool]], tracker: ClipTracker) -> Iterator[TrackedFrame]:
    """Frames with the tracks of their detections.

    The same picture again is no new evidence: no track grows by it, and its detections keep the track ids.
    """
    update = TrackUpdate.of_no_detections()
    for frame, detections, is_repeat in detected:
        if is_repeat:
            tracker.skip_repeated_frame(frame.index)
        else:
            update = tracker.update(detections)
        yield TrackedFrame(frame, detections, update, is_repeat)


def _without_file_name(reason: str, clip: ExamClip) -> str:
    # The name is shown next to the reason everywhere, and another clip may have the same content and another name.
    return reason.removeprefix(f"{clip.path.name}: ")
