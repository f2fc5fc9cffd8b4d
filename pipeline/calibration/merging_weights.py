"""Learns from phantoms how the hand is followed and tracks are merged.

    python -m pipeline.calibration.merging_weights DATASET --results DIR [--engine cuda]

It prints the weights of `course_search`, `within_clip` and `same_place`. These are constants of the program and no part
of a network's calibration: they rest on geometry and on how alike frames are, and hardly on the network. Half of the
animals are left out in a first fit, and what it gets wrong in them is printed as well.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.batch.exam_scans import read_exam_scans
from pipeline.bench.ground_truth import open_data_set
from pipeline.calibration.logistic_regression import choice_weights, logistic_weights
from pipeline.calibration.training_exams import object_of_track, true_sections
from pipeline.detect.detector_loading import load_detector
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.clip import open_clip
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.locations.location import Location
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import Settings, load_settings
from pipeline.track.course_search import CourseFeatures, candidate_readings
from pipeline.track.frame_likeness import FaceGeometry, frame_likeness
from pipeline.track.merging import same_place, within_clip
from pipeline.track.merging.crossings import compare_crossings
from pipeline.track.merging.observed_object import observed_object
from pipeline.track.merging.same_egg_likelihood import seen_in_same_frame
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.track_evidence import stage_probabilities
from pipeline.track.tracks import ClipTracks

__all__ = [
    "LabelledPairs",
    "learn_choices",
    "learn_pairs",
    "main",
    "pairs_between_clips",
    "pairs_within_clip",
    "readings_of_clip",
]

Floats = NDArray[np.float64]
Objects = Mapping[int, int | None]
"""The true object of each track, by its identity; None where it shows none."""

_TURN_FRAMES = 15.0  # within which a turn of a reading is right
_ASSUMED_FRAME_RATE = 25.0


@dataclass
class LabelledPairs:
    """Features of pairs of tracks, and whether both show one object, animal by animal."""

    features: list[list[Floats]] = field(default_factory=list)
    is_one: list[list[bool]] = field(default_factory=list)


def pairs_within_clip(clip: ClipTracks, objects: Objects, settings: Settings) -> Iterator[tuple[Floats, bool]]:
    """Pairs of tracks of one clip of which at least one shows an object; the features without the constant."""
    tracks = sorted(clip.tracks, key=lambda track: (int(track.frames[0]), track.identity))
    if len(tracks) < 2 or not clip.courses:
        return
    singles = [observed_object(0, [track], clip.courses[0], settings.track) for track in tracks]
    stages = [stage_probabilities([track], settings.track) for track in tracks]
    for pair in compare_crossings(tracks, clip.courses[0], ~seen_in_same_frame(singles, singles)):
        first, second = objects[tracks[pair.first].identity], objects[tracks[pair.second].identity]
        if first is not None or second is not None:
            yield within_clip.pair_features(pair, stages)[1:], first == second


def pairs_between_clips(
    first: ClipTracks, second: ClipTracks, objects: Sequence[Objects], settings: Settings
) -> Iterator[tuple[Floats, bool]]:
    """The same of two clips of one window. objects : of the first, and of the second"""
    alike = same_place.alike_frames(first, second)
    if alike is None:
        return
    sections = []
    for index, clip in enumerate((first, second)):
        singles = [observed_object(index, [track], clip.courses[0], settings.track) for track in clip.tracks]
        sections.append(same_place.key_sections(singles, index, clip))
    for i, j, features in same_place.place_features(sections[0], sections[1], alike):
        a, b = objects[0][first.tracks[i].identity], objects[1][second.tracks[j].identity]
        if a is not None or b is not None:
            yield features, a == b


def readings_of_clip(
    path: Location, scan: ClipScan, turns: Sequence[float], settings: Settings
) -> tuple[Floats, NDArray[np.bool_]]:
    """(A, D) features of the readings of a clip's motion, and (A,) which of them have the true turns."""
    with open_clip(path, settings.ingest) as recording:
        usable = UsableFrames(recording, recording.calibration, settings.ingest, lambda frames: None)
        sector = usable.sector
        if sector is None:
            return np.zeros((0, len(fields(CourseFeatures)))), np.zeros(0, bool)
        thumbnails = Thumbnails(sector.mask, sector.box)
        for frame, is_repeat in usable:
            if not is_repeat:
                rows = scan.frame == frame.index
                thumbnails.add_frame(frame.index, frame.grey, scan.ellipse[rows], scan.score[rows])
    likeness = frame_likeness(thumbnails.finish(), FaceGeometry.of(sector))
    rows, readings = candidate_readings(likeness, scan.frame_rate or _ASSUMED_FRAME_RATE)
    frames = likeness.frames[rows]
    right = [
        len(one.turns) == len(turns)
        and all(abs(float(frames[turn]) - true) <= _TURN_FRAMES for turn, true in zip(one.turns, turns, strict=True))
        for one in readings
    ]
    return np.array([list(vars(one.features).values()) for one in readings]), np.array(right)


def learn_pairs(pairs: LabelledPairs, names: Sequence[str]) -> str:
    """The weights of all animals, and how those of every other animal do in the rest."""
    halves = [(_stacked(pairs.features[k::2]), np.concatenate(pairs.is_one[k::2]).astype(bool)) for k in (0, 1)]
    weights = logistic_weights(*halves[0])
    likely = halves[1][0] @ weights[1:] + weights[0] > 0
    one = halves[1][1]
    features, is_one = _stacked(pairs.features), np.concatenate(pairs.is_one).astype(bool)
    learned = dict(zip(["constant", *names], logistic_weights(features, is_one).tolist(), strict=True))
    listed = ", ".join(f"{name} {value:.2f}" for name, value in learned.items())
    odds = float(np.log((is_one.sum() + 1) / ((~is_one).sum() + 1)))
    return (
        f"{len(is_one)} pairs, {is_one.sum()} of one object (log-odds {odds:.2f}): {listed}\n"
        f"  the other half: {(likely & one).sum()} of {one.sum()} told; {(likely & ~one).sum()} of {(~one).sum()} wrong"
    )


def learn_choices(choices: Sequence[tuple[Floats, NDArray[np.bool_]]]) -> str:
    """The same for the readings of clips."""
    weights = choice_weights(choices[::2])
    right = [bool(is_right[int(np.argmax(features @ weights))]) for features, is_right in choices[1::2]]
    names = [each.name for each in fields(CourseFeatures)]
    learned = zip(names, choice_weights(choices).tolist(), strict=True)
    listed = ", ".join(f"{name} {value:.2f}" for name, value in learned)
    return f"{len(choices)} clips: {listed}\n  the other half: all turns right in {sum(right)} of {len(right)}"


def _stacked(features: Sequence[Sequence[Floats]]) -> Floats:
    return np.array([row for of_animal in features for row in of_animal])


def main(arguments: list[str] | None = None) -> int:
    """Read the data set, and print the weights."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.calibration.merging_weights", description=__doc__)
    parser.add_argument("data_set", type=Path, metavar="DATASET")
    parser.add_argument("--results", type=Path, required=True, metavar="DIR", help="keeps the scans")
    parser.add_argument("--engine", default="openvino")
    options = parser.parse_args(arguments)
    settings, data_set = load_settings(), open_data_set(options.data_set)
    sections, exams = true_sections(data_set), find_exams(data_set.exams_root).exams
    within, between, choices = LabelledPairs(), LabelledPairs(), []
    load = partial(load_detector, settings, None, options.engine)
    for exam, scans in read_exam_scans(exams, options.results, load, settings):
        done = [scan for scan in scans if scan.status == "done"]
        objects = {
            scan.file: {
                track.identity: object_of_track(track, sections.get((exam.animal, scan.file), {}))
                for track in scan.tracks.tracks
            }
            for scan in done
        }
        for scan in done:
            turns = data_set.animals[exam.animal].clips[scan.file].turns
            if turns is not None:
                path = next(clip.path for clip in exam.clips if clip.file == scan.file)
                choices.append(readings_of_clip(path, scan, turns, settings))
        _add(within, [pair for scan in done for pair in pairs_within_clip(scan.tracks, objects[scan.file], settings)])
        _add(
            between,
            [
                pair
                for a, b in combinations(done, 2)
                if a.window is not None and a.window == b.window
                for pair in pairs_between_clips(a.tracks, b.tracks, (objects[a.file], objects[b.file]), settings)
            ],
        )
    sys.stdout.write(
        f"course_search: {learn_choices(choices)}\n"
        f"within_clip: {learn_pairs(within, within_clip.FEATURES[1:])}\n"
        f"same_place: {learn_pairs(between, same_place.FEATURES)}\n"
    )
    return 0


def _add(pairs: LabelledPairs, of_animal: Sequence[tuple[Floats, bool]]) -> None:
    pairs.features.append([features for features, _ in of_animal])
    pairs.is_one.append([is_one for _, is_one in of_animal])


if __name__ == "__main__":
    raise SystemExit(main())
