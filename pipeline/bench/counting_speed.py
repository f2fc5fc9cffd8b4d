"""The time that tracking, merging and counting take, compared with the network, and how it grows with the tracks.

The exams are simulated. Each has two clips, and each clip is a sweep there and back over eggs that lie one after the
other, six in view at a time, so that the number of frames grows with the number of tracks. The detections are simulated
as well, and so are pictures of tissue that moves past, in which turns of the probe are searched for. Reading the files
takes further time, so the shares of tracking and counting are smaller in a real night than those given here.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.exams.exam import Exam
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import Settings
from pipeline.track.course_search import find_courses
from pipeline.track.frame_likeness import FaceGeometry, frame_likeness
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.tracker import ClipTracker
from pipeline.track.tracks import ClipTracks

__all__ = [
    "CountingTime",
    "counting_speed_table",
    "measure_counting_time",
]


@dataclass(frozen=True)
class _SimulatedSweep:
    """The simulated exams. None of the numbers has a source: they are typical of phantoms."""

    eggs_in_view: int = 6
    frames_per_egg: int = 30
    pause_frames: int = 10  # after the last egg, before the sweep comes back
    width_px: int = 640
    height_px: int = 480
    border_px: int = 60  # least distance of an egg's centre from the border
    mm_per_px: float = 0.2
    semi_axis_px: float = 40.0
    semi_axis_sd_px: float = 3.0
    axis_ratio: float = 0.85
    centre_noise_px: float = 1.0
    score: float = 0.85
    tissue_px_per_frame: int = 2


_SWEEP = _SimulatedSweep()


@dataclass(frozen=True)
class CountingTime:
    """The time for one exam.

    tracks, frames : of both clips together
    tracking_s : seconds for tracking and turns;  counting_s : seconds for merging and counting
    """

    tracks: int
    frames: int
    tracking_s: float
    counting_s: float

    def share(self, network_s_per_frame: float) -> float:
        """The share of tracking and counting in the time that they and the network take together."""
        own = self.tracking_s + self.counting_s
        return own / (own + network_s_per_frame * self.frames)

    def document(self, network_s_per_frame: float) -> dict[str, Any]:
        return {**asdict(self), "share": round(self.share(network_s_per_frame), 4)}


def measure_counting_time(tracks: int, settings: Settings, *, seed: int = 1) -> CountingTime:
    """Track and count a simulated exam with about that many tracks."""
    rng = np.random.default_rng(seed)
    clips, tracking_s = [], 0.0
    for window in ("left", "right"):
        detections = list(_sweep_there_and_back(rng, max(tracks // 4, 1)))
        pictures = _moving_tissue(rng, len(detections))
        start = time.perf_counter()
        tracker = ClipTracker(settings.track)
        box = 0, 0, _SWEEP.width_px, _SWEEP.height_px
        thumbnails = Thumbnails(np.ones((_SWEEP.height_px, _SWEEP.width_px), np.bool_), box)
        geometry = FaceGeometry(box, (_SWEEP.width_px / 2, 0.0), float(_SWEEP.height_px))
        for of_frame, picture in zip(detections, pictures, strict=True):
            tracker.update(of_frame)
            thumbnails.add_frame(of_frame.frame, picture, of_frame.ellipses, of_frame.scores)
        finished = tracker.finish()
        courses = find_courses(frame_likeness(thumbnails.finish(), geometry), geometry)
        tracking_s += time.perf_counter() - start
        clips.append(
            ClipTracks(
                f"{window}-1.mp4",
                window,
                _SWEEP.mm_per_px,
                len(detections),
                finished.tracks,
                sector_centre_x_px=_SWEEP.width_px / 2,
                imaging_depth_px=float(_SWEEP.height_px),
                courses=courses,
            )
        )
    start = time.perf_counter()
    coverage = [ClipCoverage(clip.file, clip.window, "done", None, clip.frames, clip.frames) for clip in clips]
    exam = Exam(Path("AF-0001/2026-05-14"), "AF-0001", dt.date(2026, 5, 14), None, None, None, 150.0, 0, ())
    estimate_exam(exam, clips, coverage, settings)
    return CountingTime(
        tracks=sum(len(clip.tracks) for clip in clips),
        frames=sum(clip.frames for clip in clips),
        tracking_s=tracking_s,
        counting_s=time.perf_counter() - start,
    )


def counting_speed_table(times: Sequence[CountingTime], network_s_per_frame: float) -> str:
    """A line for the network and one for each exam."""
    lines = [f"network: {1e3 * network_s_per_frame:.1f} ms per frame"]
    lines += [
        f"{each.tracks:>5} tracks, {each.frames:>6,} frames: tracking {each.tracking_s:.2f} s "
        f"({1e3 * each.tracking_s / each.frames:.2f} ms per frame), merging and counting {each.counting_s:.2f} s "
        f"({1e3 * each.counting_s / max(each.tracks, 1):.1f} ms per track); {each.share(network_s_per_frame):.1%} of "
        "the time with the network"
        for each in times
    ]
    return "\n".join(lines)


def _sweep_there_and_back(rng: np.random.Generator, eggs: int) -> Iterator[Detections]:
    first_frames = np.arange(eggs) * _SWEEP.frames_per_egg / _SWEEP.eggs_in_view
    border = _SWEEP.border_px
    centres = rng.uniform([border, border], [_SWEEP.width_px - border, _SWEEP.height_px - border], (eggs, 2))
    sizes = rng.normal(_SWEEP.semi_axis_px, _SWEEP.semi_axis_sd_px, eggs)
    pass_frames = int(first_frames[-1]) + _SWEEP.frames_per_egg + _SWEEP.pause_frames
    for frame in range(2 * pass_frames):
        position = min(frame, 2 * pass_frames - 1 - frame)
        visible = np.flatnonzero((first_frames <= position) & (position < first_frames + _SWEEP.frames_per_egg))
        # Distance of the section from the egg's middle, from -0.9 to 0.9 of its semi-axis.
        along = 1.8 * (position + 0.5 - first_frames[visible]) / _SWEEP.frames_per_egg - 0.9
        axes = sizes[visible] * np.sqrt(1 - along**2)
        noisy_centres = centres[visible] + rng.normal(0, _SWEEP.centre_noise_px, (len(visible), 2))
        ellipses = np.column_stack([noisy_centres, axes, _SWEEP.axis_ratio * axes, np.zeros(len(visible))])
        yield Detections(
            frame=frame,
            ellipses=ellipses,
            depths_px=ellipses[:, 1].copy(),
            stage_probabilities=np.tile([0.02, 0.08, 0.9], (len(visible), 1)),
            scores=np.full(len(visible), _SWEEP.score),
            outline_uncertainties=np.full((len(visible), 2), np.nan),
        )


def _moving_tissue(rng: np.random.Generator, frames: int) -> list[NDArray[np.uint8]]:
    """(H, W) each: slices, not copies, of one wide picture that moves past and comes back."""
    wide = _SWEEP.width_px + frames
    coarse = rng.integers(0, 256, (_SWEEP.height_px // 16, wide // 16 + 1), dtype=np.uint8)
    tissue = np.asarray(cv2.resize(coarse, (wide, _SWEEP.height_px), interpolation=cv2.INTER_CUBIC), np.uint8)
    lefts = [_SWEEP.tissue_px_per_frame * min(frame, frames - 1 - frame) for frame in range(frames)]
    return [tissue[:, left : left + _SWEEP.width_px] for left in lefts]
