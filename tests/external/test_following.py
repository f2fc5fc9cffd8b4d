"""HOTA and IDF1 against TrackEval, the reference implementation, on files as they are exported."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trackeval
from numpy.typing import NDArray

from pipeline.bench.tracking_metrics import TrackingFrame, tracking_metrics


def boxes_by_frame(file: Path) -> dict[int, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    """Identities (N,) and boxes (N, 4) of each frame of a MOTChallenge file."""
    rows = np.loadtxt(file, delimiter=",", ndmin=2)
    return {
        int(frame): (rows[rows[:, 0] == frame, 1].astype(int), rows[rows[:, 0] == frame, 2:6])
        for frame in np.unique(rows[:, 0])
    }


def overlap(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """As TrackEval's own reader of boxes computes it."""
    similarity = trackeval.datasets._base_dataset._BaseDataset._calculate_box_ious(first, second, box_format="xywh")
    return np.asarray(similarity)


def followed(true: Path, found: Path) -> list[TrackingFrame]:
    truth, tracks = boxes_by_frame(true), boxes_by_frame(found)
    nothing = (np.zeros(0, int), np.zeros((0, 4)))
    frames = []
    for frame in range(1, max([*truth, *tracks]) + 1):
        (true_ids, true_boxes), (found_ids, found_boxes) = truth.get(frame, nothing), tracks.get(frame, nothing)
        frames.append(TrackingFrame(true_ids, found_ids, overlap(true_boxes, found_boxes)))
    return frames


def referee(clips: list[list[TrackingFrame]]) -> tuple[float, float, float, float]:
    """HOTA, DetA, AssA and IDF1 by TrackEval."""
    hota, identity = trackeval.metrics.HOTA(), trackeval.metrics.Identity({"PRINT_CONFIG": False})
    by_hota, by_identity = {}, {}
    for number, frames in enumerate(clips):
        true = np.unique(np.concatenate([frame.true_ids for frame in frames]))
        found = np.unique(np.concatenate([frame.track_ids for frame in frames]))
        data = {
            "num_gt_ids": len(true),
            "num_tracker_ids": len(found),
            "num_gt_dets": sum(len(frame.true_ids) for frame in frames),
            "num_tracker_dets": sum(len(frame.track_ids) for frame in frames),
            "num_timesteps": len(frames),
            "gt_ids": [np.searchsorted(true, frame.true_ids) for frame in frames],
            "tracker_ids": [np.searchsorted(found, frame.track_ids) for frame in frames],
            "similarity_scores": [frame.overlap for frame in frames],
        }
        by_hota[str(number)], by_identity[str(number)] = hota.eval_sequence(data), identity.eval_sequence(data)
    whole, identities = hota.combine_sequences(by_hota), identity.combine_sequences(by_identity)
    return (*(float(whole[name].mean()) for name in ("HOTA", "DetA", "AssA")), float(identities["IDF1"]))


def write_mot(file: Path, rows: list[tuple[int, int, NDArray[np.float64]]]) -> Path:
    file.write_text(
        "".join(f"{frame},{track},{','.join(f'{v:.2f}' for v in box)},1,1,1\n" for frame, track, box in rows)
    )
    return file


def wandering(rng: np.random.Generator, folder: Path, frames: int = 30) -> list[TrackingFrame]:
    """Six drifting boxes, and tracks with misses, breaks, swaps and false boxes."""
    true, found = [], []
    boxes = np.column_stack([rng.uniform(0, 300, (6, 2)), rng.uniform(20, 60, (6, 2))])
    names = np.arange(1, 7)
    for frame in range(1, frames + 1):
        boxes[:, :2] += rng.normal(0, 4, (6, 2))
        if rng.random() < 0.2:
            names[rng.integers(6)] = names.max() + 1
        if rng.random() < 0.2:
            names[:2] = names[1::-1]
        for number, box in enumerate(boxes):
            if 3 * number <= frame <= 30 - number:
                true.append((frame, number + 1, box.copy()))
            if rng.random() < 0.8:
                found.append((frame, int(names[number]), box + rng.normal(0, 4, 4)))
    return followed(write_mot(folder / "true.txt", true), write_mot(folder / "found.txt", found))


@pytest.mark.parametrize("seed", range(4))
def test_metrics_equal_the_reference_on_exported_files(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    clips = []
    for clip in range(3):
        (tmp_path / str(clip)).mkdir()
        clips.append(wandering(rng, tmp_path / str(clip)))
    ours = tracking_metrics(clips)
    assert (ours.hota, ours.detection_accuracy, ours.association_accuracy, ours.idf1) == pytest.approx(
        referee(clips), abs=1e-12
    )
    assert 0.1 < ours.hota < 0.9  # near 0 and 1 all measures agree


def test_frames_without_truth_or_tracks_count_as_in_the_reference(tmp_path: Path) -> None:
    clip = wandering(np.random.default_rng(9), tmp_path)
    empty = TrackingFrame(np.zeros(0, int), np.zeros(0, int), np.zeros((0, 0)))
    lonely = TrackingFrame(np.array([3, 9]), np.zeros(0, int), np.zeros((2, 0)))
    invented = TrackingFrame(np.zeros(0, int), np.array([4]), np.zeros((0, 1)))
    clips = [[*clip, empty, lonely, invented], [lonely, lonely], [invented]]
    ours = tracking_metrics(clips)
    assert (ours.hota, ours.detection_accuracy, ours.association_accuracy, ours.idf1) == pytest.approx(
        referee(clips), abs=1e-12
    )
