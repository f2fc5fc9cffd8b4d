"""One clip read once: frames to sector, detections, tracks and the pictures worth keeping.

The clip is a stream: frames are judged, given to the detector a few at a time and let go, and what is kept of
them is a row of numbers for each detection and one picture for each track.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.clip_signs import ClipSigns
from pipeline.detect.detector import Detections
from pipeline.exams.exam_search import ExamClip
from pipeline.ingest.clip import Clip, open_clip
from pipeline.ingest.frame import ClipError, Frame
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.ingest.sector.ruler import find_ruler
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.best_frames import BestFrames, ScanPicture
from pipeline.scan.scale import RecordedScale, ScaleSource, clip_scale
from pipeline.settings import Settings
from pipeline.track.probe_turns import find_turns
from pipeline.track.speckle_distance import SpeckleDistanceEstimator
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.tracker import ClipTracker
from pipeline.track.tracks import ClipTracks, view_quality

__all__ = ["ClipScan", "FrameDetector", "ScanPicture", "refused_scan", "scan_clip"]


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


class DetectorModel(Protocol):
    """name : of the weights;  sha256 : of their file."""

    @property
    def name(self) -> str: ...
    @property
    def sha256(self) -> str: ...


class FrameDetector(Protocol):
    """Anything that finds objects in frames.

    engine_name : what computes; with the model it decides every answer to the bit
    detect : one answer for each frame, in their order, none depending on its neighbours; of no frames, none.
    It is called in a thread of its own, one call at a time.
    """

    @property
    def model(self) -> DetectorModel: ...
    @property
    def engine_name(self) -> str: ...
    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]: ...


class _Rows:
    """The detections of a clip, gathered frame by frame: numbers side by side, which take the least room."""

    def __init__(self) -> None:
        self.used_frames = array("q")
        self._rows = array("d")

    def add(self, detections: Detections, tracks: NDArray[np.int64]) -> None:
        self.used_frames.append(detections.frame)
        rows = np.column_stack(
            [
                np.full(len(tracks), detections.frame, np.float64),
                tracks,
                detections.scores,
                detections.ellipses,
                detections.stage_probabilities,
                detections.outline_uncertainties,
            ]
        )
        self._rows.frombytes(rows.tobytes())

    def tables(self, renumbering: dict[int, int]) -> dict[str, Any]:
        """The tables of `ClipScan` by name. renumbering : from a track's first number to its final one."""
        rows = np.frombuffer(self._rows, np.float64).reshape(-1, 13) if self._rows else np.zeros((0, 13))
        tracks = rows[:, 1].astype(np.int64)
        final = np.zeros(1 + max(renumbering, default=0) + max(tracks, default=0), np.int64)
        for track, number in renumbering.items():
            final[track] = number
        return {
            "used_frames": np.array(self.used_frames, np.int64),
            "frame": rows[:, 0].astype(np.int64),
            "track": final[tracks],
            "score": rows[:, 2].copy(),
            "ellipse": rows[:, 3:8].copy(),
            "stage_probability": rows[:, 8:11].copy(),
            "outline_uncertainty": rows[:, 11:].copy(),
        }


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
            return _scan(clip, sha256, recording, detector, settings, progress)
    except ClipError as error:
        return refused_scan(clip, sha256, str(error))


def refused_scan(clip: ExamClip, sha256: str, reason: str) -> ClipScan:
    """The scan of a recording that cannot be used. sha256 : "" where not even its bytes could be read."""
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
        reason=_nameless(reason, clip),
        tracks=ClipTracks(clip.file, clip.window, scale.mm_per_px, 0, ()),
        pictures={},
        **_Rows().tables({}),
    )


def _scan(
    clip: ExamClip,
    sha256: str,
    recording: Clip,
    detector: FrameDetector,
    settings: Settings,
    progress: Callable[[int], None],
) -> ClipScan:
    judged = UsableFrames(recording, recording.calibration, settings.ingest, progress)
    sector, opening = judged.sector, judged.opening_frame
    if sector is None or opening is None:
        raise ClipError(judged.rejection_reason(0))
    imaging_depth_px, sector_centre_x_px = sector.depth_range_px, (sector.box[0] + sector.box[2] - 1) / 2
    tracker, best_frames, clip_signs, rows = (
        ClipTracker(settings.track),
        BestFrames(sector.mask),
        ClipSigns(sector),
        _Rows(),
    )
    thumbnails = Thumbnails(sector.mask, sector.box)
    travel = SpeckleDistanceEstimator(sector.mask, sector.box) if settings.track.export_probe_path else None
    for frame, detections, repeated in _detected(judged, sector, detector, settings.detect.batch_frames):
        if repeated:
            # The same picture again is no second witness: its detections are listed, and no track grows by them.
            tracker.skip_repeated_frame(frame.index)
        else:
            update = tracker.update(detections)
            thumbnails.add_frame(frame.index, frame.grey)
            if travel is not None:
                travel.add_frame(frame.index, frame.grey)
            best_frames.add_frame(frame, detections, update.track_ids, update.is_best_view)
            best_frames.drop(update.dropped)
            quality = view_quality(detections.ellipses, detections.scores)
            clip_signs.add_frame(frame, detections.ellipses, update.track_ids, quality)
            clip_signs.drop(update.dropped)
        rows.add(detections, update.track_ids)
    finished = tracker.finish()
    if len(rows.used_frames) < settings.ingest.minimum_usable_share * judged.frames_read:
        raise ClipError(judged.rejection_reason(len(rows.used_frames)))
    told = judged.calibration
    ruler = find_ruler(opening.grey, sector)
    recorded = RecordedScale(told.mm_per_px, told.fault, ruler, settings.ingest.ruler_tick_mm or None)
    scale = clip_scale(clip, recorded, imaging_depth_px)
    return ClipScan(
        file=clip.file,
        sha256=sha256,
        window=clip.window,
        width=recording.width,
        height=recording.height,
        frame_rate=recording.frame_rate,
        frames=judged.frames_read,
        mm_per_px=scale.mm_per_px,
        scale_source=scale.source,
        status="done",
        reason=None if recording.reason is None else _nameless(recording.reason, clip),
        tracks=ClipTracks(
            clip.file,
            clip.window,
            scale.mm_per_px,
            judged.frames_read,
            finished.tracks,
            sector_centre_x_px,
            imaging_depth_px,
            clip_signs.signs(finished.renumbering),
            find_turns(thumbnails.frames, thumbnails.correlation()),
            None if travel is None else travel.path(),
        ),
        pictures=best_frames.pictures(finished.renumbering),
        imaging_depth_px=imaging_depth_px,
        sector_centre_x_px=sector_centre_x_px,
        recorded_scale=recorded,
        scale_note=scale.note,
        quality=judged.quality,
        **rows.tables(finished.renumbering),
    )


def _detected(
    judged: Iterable[tuple[Frame, bool]], sector: Sector, detector: FrameDetector, batch_frames: int
) -> Iterator[tuple[Frame, Detections, bool]]:
    """Every usable frame with its detections, in order, and whether it repeats the one before and has its answer."""
    source = iter(judged)
    last: Detections | None = None
    # While the engine works on one batch, this thread decodes the next.
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="detect") as thread:

        def begin() -> tuple[list[tuple[Frame, bool]], Future[list[Detections]]]:
            batch = list(islice(source, batch_frames))
            new = [frame for frame, repeated in batch if not repeated]
            return batch, thread.submit(detector.detect, new, sector)

        batch, answer = begin()
        while batch:
            following = begin()
            answers = iter(answer.result())
            for frame, repeated in batch:
                last = replace(last, frame=frame.index) if repeated and last is not None else next(answers)
                yield frame, last, repeated
            batch, answer = following


def _nameless(reason: str, clip: ExamClip) -> str:
    # The name stands beside the reason wherever it is shown, and the same content may have another one.
    return reason.removeprefix(f"{clip.path.name}: ")
