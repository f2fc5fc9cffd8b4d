"""A sweep over known ellipsoids and the detections of an imperfect detector: no pictures, numbers only.

Body coordinates in mm: x along the probe's face, y into the body from the left window, z along the sweep. The scan
plane is perpendicular to z. Written independently of the package's own geometry, so that it can check it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, softmax

from pipeline.detect.detector import Detections
from pipeline.settings_tables import TrackSettings
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.tracker import ClipTracker
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.simulated_motion import course_along

MM_PER_PX = 0.22
FOLLICLE, THIN_SHELLED, CALCIFIED = 0, 1, 2
MM_PER_DIFFERENCE = 5.0  # of the sweep, for each picture difference
CENTRE_X_PX = 320.0


@dataclass(frozen=True)
class SimulatedBody:
    """Ellipsoids without overlap. centres (N, 3), shapes (N, 3, 3) with (p-c)'S(p-c) = 1, stages (N,)"""

    centres: NDArray[np.float64]
    shapes: NDArray[np.float64]
    stages: NDArray[np.int64]
    width_mm: float = 100.0


@dataclass(frozen=True)
class SimulatedDetector:
    """How imperfect the detector is, per frame."""

    recall: float = 0.9
    score_logit: float = 1.6
    centre_jitter_px: float = 2.5
    axis_jitter: float = 0.07
    shake_px: float = 2.0
    jump_chance: float = 0.05
    false_positives: float = 0.15
    distractors: int = 1
    stage_logit: float = 2.5
    smallest_section: float = 0.4


@dataclass(frozen=True)
class SimulatedClip:
    """The detections of every frame and the objects behind them.

    objects : per frame (N,) the body's object behind each detection, -1 for a false positive
    crossed : the objects whose middle the plane passed through
    course : of the probe, as perfect pictures would show it
    """

    frames: list[Detections]
    objects: list[NDArray[np.int64]] = field(repr=False)
    crossed: frozenset[int]
    course: ProbeCourse


@dataclass(frozen=True)
class SimulatedDetection:
    """object_row : the body's object, -1 for a false positive;  ellipse : (5,) px, without noise"""

    object_row: int
    ellipse: NDArray[np.float64]
    degrees: float
    score_logit: float
    stage: int


def random_clutch(
    rng: np.random.Generator, stages: list[int], semi_axes_mm: tuple[float, float] = (16.0, 10.5)
) -> SimulatedBody:
    """Objects packed in two oviducts, those of the left one nearer to the left window."""
    centres: list[NDArray[np.float64]] = []
    shapes = []
    radius = 1.15 * max(semi_axes_mm)
    while len(centres) < len(stages):
        side = len(centres) % 2
        for _ in range(500):
            depth = rng.normal(30.0 if side == 0 else 70.0, 6.0)
            centre = np.array([rng.uniform(-35, 35), depth, rng.uniform(-50, 50)])
            if all(np.linalg.norm(centre - other) > 1.6 * radius for other in centres):
                break
        else:
            centre = np.array([rng.uniform(-35, 35), 30.0 + 40 * side, rng.uniform(60, 200)])
        centres.append(centre)
        rotation, _ = np.linalg.qr(rng.normal(size=(3, 3)))
        scale = np.exp(rng.normal(0, 0.04))
        axes = scale * np.array([semi_axes_mm[0], semi_axes_mm[1], semi_axes_mm[1]])
        shapes.append(rotation @ np.diag(axes**-2.0) @ rotation.T)
    return SimulatedBody(np.array(centres).reshape(-1, 3), np.array(shapes).reshape(-1, 3, 3), np.array(stages, int))


def one_way_sweep(frames: int = 300) -> Callable[[int], float]:
    """One pass over the body: z by frame."""
    return lambda frame: -65.0 + 130.0 * frame / max(frames - 1, 1)


def return_sweep(frames: int = 600) -> Callable[[int], float]:
    """Two passes, the second one backwards: z by frame."""
    return lambda frame: -65.0 + 130.0 * (1 - abs(2 * frame / (frames - 1) - 1))


def section(body: SimulatedBody, z: float) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Objects cut by the plane at z: index, (N, 5) ellipse in mm, and size as a share of the middle section."""
    rows, ellipses, shares = [], [], []
    for row, (centre, shape) in enumerate(zip(body.centres, body.shapes, strict=True)):
        offset = z - centre[2]
        in_plane, mixed = shape[:2, :2], shape[:2, 2]
        shift = -np.linalg.solve(in_plane, mixed) * offset
        squared_share = 1 - offset**2 * (shape[2, 2] - mixed @ np.linalg.solve(in_plane, mixed))
        if squared_share > 0:
            values, vectors = np.linalg.eigh(in_plane / squared_share)
            axes = values**-0.5
            angle = np.degrees(np.arctan2(vectors[1, 0], vectors[0, 0]))
            rows.append(row)
            ellipses.append([*(centre[:2] + shift), axes[0], axes[1], (angle + 90) % 180 - 90])
            shares.append(np.sqrt(squared_share))
    return np.array(rows, int), np.array(ellipses).reshape(-1, 5), np.array(shares)


def simulate_clip(
    rng: np.random.Generator,
    body: SimulatedBody,
    path: Callable[[int], float],
    frames: int,
    *,
    window: str = "left",
    imaging_depth_mm: float = 90.0,
    detector: SimulatedDetector | None = None,
) -> SimulatedClip:
    """The detections of a clip recorded along ``path``, which gives z by frame."""
    detector = detector or SimulatedDetector()
    score_offsets = rng.normal(0, 0.3, len(body.stages))
    distractors = [
        (rng.integers(0, max(frames - 20, 1)), rng.integers(10, 40), _random_ellipse(rng))
        for _ in range(detector.distractors)
    ]
    found, objects, crossed = [], [], set()
    shift = np.zeros(2)
    for frame in range(frames):
        shift = 0.8 * shift + rng.normal(0, detector.shake_px, 2)
        if rng.random() < detector.jump_chance:
            shift += rng.uniform(-10, 10, 2)
        rows, ellipses, shares = section(body, path(frame))
        if window == "right":
            ellipses[:, 1] = body.width_mm - ellipses[:, 1]
            ellipses[:, 4] = (-ellipses[:, 4] + 90) % 180 - 90
        listed: list[SimulatedDetection] = []
        for row, ellipse, share in zip(rows, ellipses, shares, strict=True):
            if not 5 < ellipse[1] < imaging_depth_mm or share < detector.smallest_section:
                continue
            if share > 0.8:
                crossed.add(int(row))
            if rng.random() < detector.recall * min(1.0, share / 0.6):
                outline = ellipse / MM_PER_PX
                outline[0] += CENTRE_X_PX
                score_logit = detector.score_logit + score_offsets[row] + rng.normal(0, 0.6) - (1 - share)
                listed.append(SimulatedDetection(int(row), outline, ellipse[4], score_logit, int(body.stages[row])))
        for _ in range(rng.poisson(detector.false_positives)):
            listed.append(
                SimulatedDetection(-1, _random_ellipse(rng), 0.0, rng.normal(-0.5, 0.5), int(rng.integers(3)))
            )
        for start, length, outline in distractors:
            if start <= frame < start + length and rng.random() < 0.7:
                listed.append(SimulatedDetection(-1, outline.copy(), 0.0, rng.normal(-0.4, 0.4), FOLLICLE))
        found.append(_noisy_detections(rng, frame, listed, shift, detector))
        objects.append(np.array([each.object_row for each in listed], int)[_highest_score_first(listed)])
    positions = np.array([path(frame) for frame in range(frames)]) / MM_PER_DIFFERENCE
    course = course_along(positions, face_xy=(CENTRE_X_PX, 0.0))
    return SimulatedClip(found, objects, frozenset(crossed), course)


def track_clip(clip: SimulatedClip, settings: TrackSettings, file: str, window: str | None = "left") -> ClipTracks:
    """The tracks of a simulated clip, with its course."""
    tracker = ClipTracker(settings)
    for detections in clip.frames:
        tracker.update(detections)
    tracks = tracker.finish().tracks
    return ClipTracks(file, window, MM_PER_PX, len(clip.frames), tracks, courses=(clip.course,))


def _noisy_detections(
    rng: np.random.Generator,
    frame: int,
    listed: list[SimulatedDetection],
    shift: NDArray[np.float64],
    detector: SimulatedDetector,
) -> Detections:
    ellipses, stages, scores = [], [], []
    for each in listed:
        noisy = each.ellipse.copy()
        if each.object_row >= 0:
            noisy[:2] += shift
        noisy[:2] += rng.normal(0, detector.centre_jitter_px, 2)
        noisy[2:4] *= np.exp(rng.normal(0, detector.axis_jitter, 2))
        noisy[2:4] = np.sort(noisy[2:4])[::-1]
        noisy[4] = each.degrees + rng.normal(0, 5)
        ellipses.append(noisy)
        stage_logits = rng.normal(0, 0.8, 3)
        stage_logits[each.stage] += detector.stage_logit
        stages.append(softmax(stage_logits))
        scores.append(expit(each.score_logit))
    order = _highest_score_first(listed)
    rows = np.array(ellipses).reshape(-1, 5)[order]
    return Detections(
        frame,
        rows,
        rows[:, 1].copy(),
        np.array(stages).reshape(-1, 3)[order],
        np.array(scores, float)[order],
        np.full((len(rows), 2), np.nan),
    )


def _highest_score_first(listed: list[SimulatedDetection]) -> NDArray[np.int64]:
    return np.argsort([-each.score_logit for each in listed], kind="stable").astype(int)


def _random_ellipse(rng: np.random.Generator) -> NDArray[np.float64]:
    size = rng.uniform(15, 50)
    return np.array([rng.uniform(60, 580), rng.uniform(40, 400), size, size * rng.uniform(0.6, 1), 0.0])
