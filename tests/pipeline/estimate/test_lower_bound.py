from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.lower_bound import count_lower_bound
from pipeline.settings import load_settings
from pipeline.track.tracks import ClipTracks, Track

SETTINGS = load_settings()


def track(identity, first, last, x, *, score=0.85, stages=(0.02, 0.08, 0.9), y=200.0):
    frames = np.arange(first, last + 1)
    count = len(frames)
    ellipses = np.tile([x, y, 40.0, 30.0, 0.0], (count, 1))
    return Track(identity, frames, ellipses, np.full(count, y), np.tile(stages, (count, 1)), np.full(count, score))


def bound(*tracks, frames=200, shelled=True):
    sure_tracks = {("a.mp4", one.identity) for one in tracks}
    clips = [ClipTracks("a.mp4", "left", None, frames, tracks)]
    return count_lower_bound(clips, shelled=shelled, sure_tracks=sure_tracks, settings=SETTINGS)


def test_eggs_next_to_each_other_set_the_bound():
    assert bound(*(track(k, 20, 60, 100.0 * k) for k in range(1, 5))) == 4


def test_eggs_one_after_the_other_do_not_add_up():
    assert bound(*(track(k, 40 * k, 40 * k + 30, 300.0) for k in range(4))) == 1


def test_clips_do_not_add_up():
    clips = [
        ClipTracks(f"{k}.mp4", window, None, 200, (track(1, 20, 60, 100.0), track(2, 20, 60, 300.0)))
        for k, window in enumerate(("left", "right"))
    ]
    sure_tracks = {(clip.file, one.identity) for clip in clips for one in clip.tracks}
    assert count_lower_bound(clips, shelled=True, sure_tracks=sure_tracks, settings=SETTINGS) == 2
    assert count_lower_bound(clips, shelled=True, sure_tracks={("0.mp4", 1), ("1.mp4", 2)}, settings=SETTINGS) == 1
    assert count_lower_bound(clips, shelled=True, sure_tracks=set(), settings=SETTINGS) == 0


def test_a_single_frame_together_is_not_enough():
    assert bound(track(1, 20, 60, 100.0), track(2, 60, 100, 300.0)) == 1
    assert bound(track(1, 20, 60, 100.0), track(2, 58, 100, 300.0)) == 2


def test_unsure_objects_do_not_count():
    sure = track(1, 20, 60, 100.0)
    assert bound(sure, track(2, 20, 60, 300.0, score=0.45)) == 1
    assert bound(sure, track(2, 20, 23, 300.0)) == 1
    assert bound(sure, track(2, 20, 60, 300.0, stages=(0.45, 0.35, 0.2))) == 1


def test_overlapping_outlines_count_once():
    assert bound(track(1, 20, 60, 100.0), track(2, 20, 60, 140.0, score=0.8)) == 1
    assert bound(track(1, 20, 60, 100.0), track(2, 20, 60, 178.0, score=0.8)) == 2


def test_shelled_eggs_and_follicles_have_separate_bounds():
    tracks = (track(1, 20, 60, 100.0), track(2, 20, 60, 300.0, stages=(0.96, 0.02, 0.02)))
    assert bound(*tracks) == 1
    assert bound(*tracks, shelled=False) == 1


@given(
    st.lists(
        st.tuples(st.integers(0, 150), st.integers(5, 60), st.integers(0, 6), st.floats(0.3, 0.95)),
        max_size=12,
    )
)
def test_the_bound_is_at_most_what_any_frame_shows(drawn):
    tracks = [
        track(k, first, first + length, 100.0 * place, score=score)
        for k, (first, length, place, score) in enumerate(drawn, 1)
    ]
    seen = np.array([[t.frames[0] <= frame <= t.frames[-1] for t in tracks] for frame in range(220)], bool)
    most = int(seen.sum(axis=1).max())
    assert 0 <= bound(*tracks, frames=220) <= most
