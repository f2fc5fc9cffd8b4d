"""Two clips of one window over the same eggs: pictures of a made-up tissue, and the outlines that are drawn in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.frame_likeness import FaceGeometry
from pipeline.track.key_frames import KeyFrames
from pipeline.track.merging.alignment import Alignment
from pipeline.track.merging.merge import _scan_objects, merge_tracks
from pipeline.track.merging.observed_object import observed_object
from pipeline.track.merging.same_egg_likelihood import depth_ratios
from pipeline.track.merging.same_place import compare_places
from pipeline.track.merging.window_alignment import same_window_alignments
from pipeline.track.merging.within_clip import merge_within_clip
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.track.merging.test_merge import groups
from tests.pipeline.track.simulated_motion import HEIGHT, WIDTH, course_along, path, pictures_at

SETTINGS = load_settings().track
FACE_XY = ((WIDTH - 1) / 2, 0.0)
MM_PER_PX = 0.8
FRAMES = 30
# x, y, size, px; first and last frame in which it is seen.
EGGS = [(40.0, 50.0, 14.0, 2, 18), (90.0, 60.0, 14.0, 2, 18), (60.0, 40.0, 14.0, 20, 29)]
Floats = NDArray[np.float64]


def clip_of(
    file: str, *, eggs: list[int], mirrored: bool = False, scale: int = 1, seed: int = 1, noise_seed: int = 3
) -> ClipTracks:
    """A clip of these of the eggs. scale : px of the frame for each px of the tissue"""
    rng = np.random.default_rng(noise_seed)
    tracks = []
    for identity, (x, y, size, first, last) in enumerate((EGGS[egg] for egg in eggs), 1):
        frames = np.arange(first, last + 1)
        x = WIDTH - 1 - x if mirrored else x
        row = np.array([(x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5, size * scale, size * scale, 0.0])
        ellipses = np.tile(row, (len(frames), 1))
        ellipses[:, :2] += rng.normal(0, 0.5 * scale, (len(frames), 2))
        stages = np.tile([0.02, 0.08, 0.9], (len(frames), 1))
        tracks.append(Track(identity, frames, ellipses, ellipses[:, 1].copy(), stages, np.full(len(frames), 0.9)))
    box = (0, 0, WIDTH * scale, HEIGHT * scale)
    thumbnails = Thumbnails(np.ones((box[3], box[2]), bool), box)
    walk = path((0, 0), (FRAMES - 1, 60))
    for frame, picture in enumerate(pictures_at(walk, seed)):
        shown = np.kron(picture[:, ::-1] if mirrored else picture, np.ones((scale, scale), np.uint8))
        rows = [track.ellipses[track.frames == frame] for track in tracks]
        seen = np.concatenate([np.zeros((0, 5)), *rows])
        thumbnails.add_frame(frame, shown.astype(np.uint8), seen, np.full(len(seen), 0.9))
    middle = (FACE_XY[0] + 0.5) * scale - 0.5
    geometry = FaceGeometry(box, (middle, 0.0), float(box[3]))
    return ClipTracks(
        file,
        "left",
        MM_PER_PX / scale,
        FRAMES,
        tuple(tracks),
        sector_centre_x_px=middle,
        imaging_depth_px=float(box[3]),
        courses=(course_along(walk / 12, face_xy=(middle, 0.0)),),
        key_frames=KeyFrames(thumbnails.finish(), geometry),
    )


def ratios(first: ClipTracks, second: ClipTracks) -> Floats:
    objects = [
        [observed_object(place, [track], clip.courses[0], SETTINGS) for track in clip.tracks]
        for place, clip in enumerate((first, second))
    ]
    return compare_places(objects[0], objects[1], [first, second]).ratios


@pytest.mark.parametrize(
    "other", [{}, {"mirrored": True}, {"scale": 2}], ids=["alike", "mirrored", "at twice the size"]
)
def test_an_egg_at_one_place_of_alike_frames_is_the_same(other: dict[str, int]) -> None:
    found = ratios(clip_of("left-1.mp4", eggs=[0, 1]), clip_of("left-2.mp4", eggs=[0, 1], noise_seed=4, **other))
    assert np.diagonal(found).min() > 3.5
    assert found[~np.eye(2, dtype=bool)].max() < -2


def test_in_other_tissue_the_same_place_is_less_evidence() -> None:
    first = clip_of("left-1.mp4", eggs=[0, 1])
    same, other = (ratios(first, clip_of("left-2.mp4", eggs=[0], seed=seed, noise_seed=4)) for seed in (1, 9))
    assert other[0, 0] < same[0, 0] - 2


def test_eggs_of_other_frames_are_compared_where_frames_are_alike() -> None:
    """The third egg is seen after the others; no frames that show it are like those that show them."""
    found = ratios(clip_of("left-1.mp4", eggs=[0, 2]), clip_of("left-2.mp4", eggs=[2], noise_seed=4))
    assert found[1, 0] > 3.5
    assert found[0, 0] < found[1, 0] - 3


@pytest.mark.parametrize("missing", [{"key_frames": None}, {"mm_per_px": None}], ids=["key frames", "scale"])
def test_without_key_frames_or_a_scale_the_ratio_is_zero(missing: dict[str, None]) -> None:
    first, second = clip_of("left-1.mp4", eggs=[0, 1]), clip_of("left-2.mp4", eggs=[0])
    assert not ratios(first, replace(second, **missing)).any()
    assert not ratios(replace(first, **missing), second).any()


def test_alike_pictures_join_eggs_in_any_order_of_the_sweeps() -> None:
    clips = [clip_of("left-1.mp4", eggs=[0, 1, 2]), clip_of("left-2.mp4", eggs=[2, 1, 0], mirrored=True, noise_seed=4)]
    expected = [[("left-1.mp4", 1 + k), ("left-2.mp4", 3 - k)] for k in range(3)]
    assert groups(merge_tracks(clips, None, SETTINGS)) == expected


@given(
    hnp.arrays(float, st.integers(2, 6), elements=st.floats(0, 80)),
    hnp.arrays(float, st.integers(2, 6), elements=st.floats(0, 80)),
)
def test_depths_count_alike_from_either_clip_and_are_bounded(first: Floats, second: Floats) -> None:
    found = depth_ratios(first, second, 5.0)
    assert found == pytest.approx(depth_ratios(second, first, 5.0).T)
    assert np.abs(found).max() <= 4


def other_hold(first: ClipTracks, second: ClipTracks) -> Alignment:
    """The alignment of a probe that was held across the body in one clip and along it in the other."""
    clips = [first, second]
    scans = [_scan_objects(merge_within_clip(place, clip, SETTINGS), clip) for place, clip in enumerate(clips)]
    return same_window_alignments(scans[0], scans[1], clips, SETTINGS)[-1]


def test_a_probe_that_was_turned_shares_only_depths() -> None:
    first, second = clip_of("left-1.mp4", eggs=[0, 1]), clip_of("left-2.mp4", eggs=[0, 1], noise_seed=4)
    step = np.array([25.0, 0.0, 0.0, 0.0, 0.0])
    aside = replace(second, tracks=tuple(replace(one, ellipses=one.ellipses + step) for one in second.tracks))
    assert other_hold(first, aside).ratios == pytest.approx(other_hold(first, second).ratios)


def test_a_turned_probe_is_likelier_where_no_pictures_are_alike() -> None:
    first = clip_of("left-1.mp4", eggs=[0, 1])
    alike, unlike = (clip_of("left-2.mp4", eggs=[0, 1], seed=seed, noise_seed=4) for seed in (1, 9))
    assert other_hold(first, alike).log_prior < -2 < other_hold(first, unlike).log_prior
