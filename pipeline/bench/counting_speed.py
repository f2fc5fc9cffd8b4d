"""What tracking, merging and counting cost beside the network, and how that grows with the number of tracks.

    python -m pipeline.bench.counting_speed [TRACKS...]

Exams of two clips are invented, each a sweep there and back over eggs that lie one after the other, six in view at a
time, so that frames grow with tracks; a detector's answers are given for them, and pictures of tissue that passes by,
in which turns are looked for. The network is timed on as many frames as it takes at once. Reading of files costs
further time, so that the shares told are more than those of a night.
"""

from __future__ import annotations

import datetime as dt
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.output_channels import INPUT_SIDE_PX
from models.runtime import make_engine, shipped_weights
from pipeline.detect.detector import Detections
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.exams.exam_search import Exam
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import Settings, load_settings
from pipeline.track.probe_turns import ProbeTurn, find_turns
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.tracker import ClipTracker
from pipeline.track.tracks import ClipTracks

__all__ = ["CountingTime", "main", "measure_counting_time"]

_IN_VIEW, _CROSSING = 6, 30  # eggs at a time; frames in which each is
_WIDTH, _HEIGHT, _MM_PER_PX = 640, 480, 0.2


@dataclass(frozen=True)
class CountingTime:
    """One exam. tracks, frames : of both clips;  tracking_s, counting_s : seconds, with turns and with merging"""

    tracks: int
    frames: int
    tracking_s: float
    counting_s: float

    def share(self, seconds_per_frame: float) -> float:
        """Of the time that network and counting take together. seconds_per_frame : of the network"""
        own = self.tracking_s + self.counting_s
        return own / (own + seconds_per_frame * self.frames)


def measure_counting_time(tracks: int, settings: Settings, *, seed: int = 1) -> CountingTime:
    """Follow and count an invented exam of about so many tracks."""
    rng = np.random.default_rng(seed)
    clips, following = [], 0.0
    for window in ("left", "right"):
        answers = list(_there_and_back(rng, max(tracks // 4, 1)))
        pictures = _passing_by(rng, len(answers))
        begun = time.perf_counter()
        tracker = ClipTracker(settings.track)
        thumbnails = Thumbnails(np.ones((_HEIGHT, _WIDTH), np.bool_), (0, 0, _WIDTH, _HEIGHT))
        for answer, picture in zip(answers, pictures, strict=True):
            tracker.update(answer)
            thumbnails.add_frame(answer.frame, picture)
        finished = tracker.finish()
        find_turns(thumbnails.frames, thumbnails.correlation())
        following += time.perf_counter() - begun
        last = float(len(answers) - 1)
        turn = ProbeTurn(last / 2, np.array([0.0, last / 2]), np.array([last, last / 2]), 5.0)
        clips.append(
            ClipTracks(
                f"{window}-1.mp4",
                window,
                _MM_PER_PX,
                len(answers),
                finished.tracks,
                sector_centre_x_px=_WIDTH / 2,
                imaging_depth_px=float(_HEIGHT),
                turns=(turn,),
            )
        )
    begun = time.perf_counter()
    coverage = [ClipCoverage(clip.file, clip.window, "done", None, clip.frames, clip.frames) for clip in clips]
    exam = Exam(Path("AF-0001/2026-05-14"), "AF-0001", dt.date(2026, 5, 14), None, None, None, 150.0, 0, ())
    estimate_exam(exam, clips, coverage, settings)
    counting = time.perf_counter() - begun
    return CountingTime(
        sum(len(clip.tracks) for clip in clips), sum(clip.frames for clip in clips), following, counting
    )


def _there_and_back(rng: np.random.Generator, eggs: int) -> Iterator[Detections]:
    begins = np.arange(eggs) * _CROSSING / _IN_VIEW
    places = rng.uniform([60, 60], [_WIDTH - 60, _HEIGHT - 60], (eggs, 2))
    sizes = rng.normal(40, 3, eggs)
    pass_frames = int(begins[-1]) + _CROSSING + 10
    for frame in range(2 * pass_frames):
        at = min(frame, 2 * pass_frames - 1 - frame)
        seen = np.flatnonzero((begins <= at) & (at < begins + _CROSSING))
        along = 1.8 * (at + 0.5 - begins[seen]) / _CROSSING - 0.9
        axes = sizes[seen] * np.sqrt(1 - along**2)
        middles = places[seen] + rng.normal(0, 1, (len(seen), 2))
        ellipses = np.column_stack([middles, axes, 0.85 * axes, np.zeros(len(seen))])
        yield Detections(
            frame=frame,
            ellipses=ellipses,
            depths_px=ellipses[:, 1].copy(),
            stage_probabilities=np.tile([0.02, 0.08, 0.9], (len(seen), 1)),
            scores=np.full(len(seen), 0.85),
            outline_uncertainties=np.full((len(seen), 2), np.nan),
        )


def _passing_by(rng: np.random.Generator, frames: int) -> list[NDArray[np.uint8]]:
    """(HEIGHT, WIDTH) each, of a long picture that goes by at 2 px a frame and comes back; slices of it, no copies."""
    wide = _WIDTH + frames
    coarse = rng.integers(0, 256, (_HEIGHT // 16, wide // 16 + 1), dtype=np.uint8)
    tissue = np.asarray(cv2.resize(coarse, (wide, _HEIGHT), interpolation=cv2.INTER_CUBIC), np.uint8)
    places = [2 * min(frame, frames - 1 - frame) for frame in range(frames)]
    return [tissue[:, at : at + _WIDTH] for at in places]


def _network_seconds(settings: Settings) -> float:
    """A frame, with all processors."""
    engine = make_engine("openvino", shipped_weights(), threads=len(os.sched_getaffinity(0)))
    pictures = np.zeros((settings.detect.batch_frames, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), np.float32)
    engine.run(pictures)
    begun = time.perf_counter()
    for _ in range(3):
        engine.run(pictures)
    return (time.perf_counter() - begun) / (3 * len(pictures))


def main(arguments: Sequence[str]) -> int:
    """Print a line for each number of tracks."""
    settings = load_settings()
    network = _network_seconds(settings)
    sys.stdout.write(f"network: {1e3 * network:.1f} ms a frame\n")
    for tracks in [int(each) for each in arguments] or [10, 100, 1000]:
        cost = measure_counting_time(tracks, settings)
        sys.stdout.write(
            f"{cost.tracks:>5} tracks, {cost.frames:>6,} frames: following {cost.tracking_s:.2f} s "
            f"({1e3 * cost.tracking_s / cost.frames:.2f} ms a frame), merging and counting {cost.counting_s:.2f} s "
            f"({1e3 * cost.counting_s / max(cost.tracks, 1):.1f} ms a track); {cost.share(network):.1%} of the time\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
